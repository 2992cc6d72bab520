"""Readings of a device's clock as stamps: registers become instants beside the run's own monotonic time.

Impossible fields (month 0, hour 25) give no stamp. A stamp that the device itself marks as invalid
(CP56Time2a, IV) still says what its clock shows; that it is marked is counted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from probe.judge.clock_region import Stamp
from probe.judge.zone import clock_instant
from probe.model.clock_decoder import ClockDecoder
from probe.model.profile import ClockRule, Point
from probe.model.reading import Quality, Reading

S = 1_000_000_000
_MS = 1_000_000


class Stamped(NamedTuple):
    """One reading with what it says. shift_ns: the device's own time ahead of UTC, as read.

    marked: the device says itself that the time is invalid.
    """

    stamp: Stamp
    reading: Reading
    shift_ns: int
    marked: bool


class ClockReadings(NamedTuple):
    """All readings of one clock, by the time of asking. impossible: those that show no date at all."""

    stamped: tuple[Stamped, ...]
    impossible: tuple[Reading, ...]

    @property
    def stamps(self) -> tuple[Stamp, ...]:
        """The stamps alone."""
        return tuple([one.stamp for one in self.stamped])


def sort_out(
    readings: Sequence[Reading],
    point: Point,
    rule: ClockRule,
    zone: str,
    wall_s: Callable[[int], float | None],
) -> ClockReadings:
    """The readings as stamps. wall_s: Unix seconds at an instant of the run, to choose in a repeated hour."""
    stamped: list[Stamped] = []
    impossible: list[Reading] = []
    for reading in sorted(readings, key=lambda one: one.sent_ns):
        shown = shown_s(reading, point)
        instant = None if shown is None else clock_instant(shown, rule, zone, wall_s(reading.sent_ns))
        if shown is None or instant is None:
            impossible.append(reading)
            continue
        stamp = Stamp(reading.sent_ns, reading.received_ns, _ns(instant), round(rule.resolution_s * S))
        marked = reading.quality is Quality.NOT_AVAILABLE
        stamped.append(Stamped(stamp, reading, _ns(shown) - stamp.shown_ns, marked))
    return ClockReadings(tuple(stamped), tuple(impossible))


def shown_s(reading: Reading, point: Point) -> float | None:
    """Seconds that the clock shows, as its decoder gives them; None for fields that are no date."""
    if reading.quality is Quality.GOOD and isinstance(reading.value, (int, float)):
        return reading.value
    if reading.quality is not Quality.NOT_AVAILABLE or not isinstance(point.decoder, ClockDecoder):
        return None
    stamp = point.decoder.stamp(reading.raw)
    return None if stamp is None else stamp.wall_s + stamp.millisecond / 1000


def _ns(seconds: float) -> int:
    """Whole nanoseconds; no clock here shows less than a millisecond, so that a double is exact enough."""
    return round(seconds * 1000) * _MS
