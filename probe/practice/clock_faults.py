"""Faults of clocks: how a clock that runs right inside comes out wrong, and what a user should see of it.

Faults that only change where the clock stands are fields of ``DeviceClock``. Those that depend on when or how
often it is asked are twists: made anew for each device, given what the clock would show, and asked at each
reading.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from probe.model.clock_decoder import ClockDecoder
from probe.model.clock_stamp import stamp_of
from probe.model.profile import Point
from probe.model.reading import Value
from probe.practice.fault import Fault, FaultKind, Place
from probe.practice.part import Part, Stage
from probe.practice.server import Gone, Refusal

_MONTH_S = 30 * 86_400.0


class Asked(NamedTuple):
    """One reading of a clock: what it would show, time since the lineup began, number from 0."""

    point: Point
    shown_s: float
    since_s: float
    number: int


Twist = Callable[[Asked], Value | bytes]

# --- where it stands -------------------------------------------------------------------------------------


def _clock(**changes: object) -> Callable[[Stage, Part, Fault], None]:
    def apply(_stage: Stage, part: Part, _fault: Fault) -> None:
        part.set_clock(**changes)

    return apply


def _slow_clock(_stage: Stage, part: Part, fault: Fault) -> None:
    part.set_clock(offset_s=part.clock.offset_s - fault.seconds_or(43.0))


def _zone(stage: Stage, part: Part, _fault: Fault) -> None:
    rule = part.profile.clock
    part.set_clock(zone_s=-stage.zone_s if rule is not None and rule.zone == "local" else stage.zone_s)


def _drift(_stage: Stage, part: Part, fault: Fault) -> None:
    ppm = 120.0 if fault.number is None else fault.number
    part.set_clock(drift_ppm=ppm, offset_s=ppm / 1e6 * fault.seconds_or(_MONTH_S))


def _never_set(_stage: Stage, part: Part, _fault: Fault) -> None:
    rule = part.profile.clock
    part.set_clock(epoch_s=946_684_800.0 if rule is None or rule.epoch_s is None else rule.epoch_s)


# --- what comes out of it --------------------------------------------------------------------------------


def _twisted(make: Callable[[Fault], Twist]) -> Callable[[Stage, Part, Fault], None]:
    def apply(_stage: Stage, part: Part, fault: Fault) -> None:
        part.clock_twist = lambda: make(fault)

    return apply


def _jumps(fault: Fault) -> Twist:
    by_s, after = -fault.seconds_or(3_600.0), fault.every_or(1)
    return lambda asked: asked.shown_s + (by_s if asked.number >= after else 0.0)


def _freezes(fault: Fault) -> Twist:
    after, kept = fault.every_or(1), list[float]()

    def twist(asked: Asked) -> float:
        if asked.number < after:
            return asked.shown_s
        kept.append(asked.shown_s)
        return kept[0]

    return twist


def _cached(fault: Fault) -> Twist:
    """The copy is renewed at fixed times, whether anybody asks or not, as a gateway that polls does it."""
    period_s = fault.seconds_or(2.6)
    return lambda asked: asked.shown_s - asked.since_s % period_s


def _torn(fault: Fault) -> Twist:
    lag_s = fault.seconds_or(0.4)

    def twist(asked: Asked) -> float:
        torn = asked.shown_s % 60 < lag_s
        return asked.shown_s - 60 if torn else asked.shown_s

    return twist


def _impossible(_fault: Fault) -> Twist:
    return lambda asked: bytes(2 * asked.point.count)


def marks_stamps(point: Point) -> bool:
    """True if the clock's encoding has a mark for a stamp that is not valid."""
    decoder = point.decoder
    if not isinstance(decoder, ClockDecoder):
        return False
    stamp = stamp_of(1_800_000_000, 0)
    return decoder.encode_stamp(stamp) != decoder.encode_stamp(stamp._replace(invalid=True))


def _invalid(_fault: Fault) -> Twist:
    def twist(asked: Asked) -> Value | bytes:
        decoder = asked.point.decoder
        if not isinstance(decoder, ClockDecoder):
            return asked.shown_s
        whole, rest = divmod(asked.shown_s, 1)
        return decoder.encode_stamp(stamp_of(int(whole), int(rest * 1000))._replace(invalid=True))

    return twist


def _refused(fault: Fault) -> Twist:
    def twist(_asked: Asked) -> float:
        raise Refusal(2 if fault.number is None else int(fault.number))

    return twist


def _dies(fault: Fault) -> Twist:
    after = fault.every_or(1)

    def twist(asked: Asked) -> float:
        if asked.number >= after:
            raise Gone
        return asked.shown_s

    return twist


CLOCK_FAULTS = (
    FaultKind(
        name="clock-slow",
        does="the clock stands `seconds` (43) behind",
        sees="Skew beyond the tolerance, with its uncertainty.",
        checks=("clock.skew",),
        place=Place.CLOCK,
        apply=_slow_clock,
        takes=("seconds",),
    ),
    FaultKind(
        name="clock-zone",
        does="the clock shows local time for UTC, or the other way round",
        sees="Off by whole hours: a zone, not a drift.",
        checks=("clock.skew",),
        place=Place.CLOCK,
        apply=_zone,
    ),
    FaultKind(
        name="clock-drift",
        does="the clock gains `number` parts per million (120), and was set `seconds` (a month) ago",
        sees="Skew beyond the tolerance that grows from run to run.",
        checks=("clock.skew",),
        place=Place.CLOCK,
        apply=_drift,
        takes=("number", "seconds"),
    ),
    FaultKind(
        name="clock-stopped",
        does="the clock stands still",
        sees="A stopped clock, and no absurd skew.",
        checks=("clock.skew",),
        place=Place.CLOCK,
        apply=_clock(stopped=True),
    ),
    FaultKind(
        name="clock-never-set",
        does="the clock counts from its epoch, as if never set",
        sees="Never set, instead of decades of skew.",
        checks=("clock.skew",),
        place=Place.CLOCK,
        apply=_never_set,
    ),
    FaultKind(
        name="clock-jumps",
        does="the clock is set back by `seconds` (3600) after `every` (1) readings of it",
        sees="A clock that jumped while it was watched, and by how much; after one reading: its new offset.",
        checks=("clock.skew",),
        place=Place.CLOCK,
        apply=_twisted(_jumps),
        takes=("seconds", "every"),
    ),
    FaultKind(
        name="clock-freezes",
        does="the clock stands still after `every` (1) readings of it",
        sees="A clock that stands still; never an average.",
        checks=("clock.skew",),
        place=Place.CLOCK,
        apply=_twisted(_freezes),
        takes=("every",),
    ),
    FaultKind(
        name="clock-cached",
        does="something answers for the clock from a copy that is renewed every `seconds` (2.6)",
        sees="Stamps that repeat and lag: no offset is told.",
        checks=("clock.skew",),
        place=Place.CLOCK,
        apply=_twisted(_cached),
        takes=("seconds",),
    ),
    FaultKind(
        name="clock-torn",
        does="for `seconds` (0.4) after each full minute the stamp shows the new second in the old minute",
        sees="Nothing wrong: readings that mix two times are set aside and told.",
        checks=(),
        place=Place.CLOCK,
        apply=_twisted(_torn),
        takes=("seconds",),
        harmless=True,
    ),
    FaultKind(
        name="clock-impossible",
        does="the clock shows month 0 (a count of seconds: its first one)",
        sees="No possible date, with the registers.",
        checks=("clock.skew",),
        place=Place.CLOCK,
        apply=_twisted(_impossible),
        at="52-F4",
    ),
    FaultKind(
        name="clock-invalid",
        does="the device marks its own stamps as invalid (CP56Time2a; other encodings cannot)",
        sees="A clock that is not valid by the device's own word.",
        checks=("clock.skew",),
        place=Place.MARKED_CLOCK,
        apply=_twisted(_invalid),
    ),
    FaultKind(
        name="clock-refused",
        does="the device answers its clock with exception 2, or `number`",
        sees="The clock is not tested, with the exception; all else is.",
        checks=("reply.exceptions",),
        place=Place.CLOCK,
        apply=_twisted(_refused),
        takes=("number",),
    ),
    FaultKind(
        name="clock-dies",
        does="the device answers nothing more after `every` (1) readings of its clock",
        sees="What was read until then is judged; the rest is not answered.",
        checks=("reach.loss", "clock.skew", "reply.complete", "fresh.device"),
        place=Place.CLOCK,
        apply=_twisted(_dies),
        takes=("every",),
    ),
)
