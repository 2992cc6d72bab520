"""What kind of wrong a clock is: a zone, a date, a time scale, never set, or simply off.

A skew of 56 years or of exactly one hour is not drift, and its remedy is another one.
Source of the time scales: TAI - UTC = 37 s since 2017, GPS - UTC = 18 s (from memory).
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import NamedTuple

from probe.judge.limit import Interval, within
from probe.judge.proof import turned
from probe.model.device_map import Clock
from probe.model.finding import Verdict
from probe.model.profile import ClockRule, Point
from probe.model.reading import Quality, Reading

HOUR_S = 3600.0
DAY_S = 86_400.0
YEAR_S = 365.25 * DAY_S

#: Where clocks begin that were never set: the customary epochs.
EPOCHS = tuple(
    datetime(year, 1, day, tzinfo=UTC).timestamp()
    for year, day in ((1900, 1), (1970, 1), (1980, 1), (1980, 6), (1984, 1), (1990, 1), (2000, 1))
)
SCALES = {37: "TAI", 18: "GPS", 19: "TAI taken for GPS"}


class ClockClass(NamedTuple):
    """title and advice in plain words. absurd: a skew number would mislead. hours: of a zone, else 0."""

    title: str
    advice: str
    absurd: bool = False
    hours: float = 0.0


def classify(offset: Interval, reading: Reading, point: Point, rule: ClockRule, clock: Clock) -> ClockClass:
    """The class of a clock that is off. offset: bounds of (device - reference), seconds."""
    if _never_set(float(reading.value), offset, rule):
        return ClockClass(
            "Clock was never set",
            "It counts from its first date since power came on: find out which master should set it, and why "
            "it did not.",
            absurd=True,
        )
    if _fits_in_other_order(offset, reading, point, clock):
        return ClockClass(
            "Clock is read in the wrong word order",
            "With its two registers exchanged the time is right: the profile's order for this point is "
            "wrong.",
            absurd=True,
        )
    return _by_size(offset, clock.tolerance_s)


def _never_set(shown: float, offset: Interval, rule: ClockRule) -> bool:
    """True for a time within a year after a customary or the profile's own first date, and years off."""
    if abs(offset.middle) < 2 * YEAR_S:
        return False
    epochs = EPOCHS if rule.epoch_s is None else (*EPOCHS, rule.epoch_s)
    return any(-DAY_S <= shown - epoch < YEAR_S for epoch in epochs)


def _fits_in_other_order(offset: Interval, reading: Reading, point: Point, clock: Clock) -> bool:
    if len(reading.raw) != 4 or abs(offset.middle) < YEAR_S:
        return False
    value, quality = point.decoder.decode(turned(reading.raw, (True, False)))
    if quality is not Quality.GOOD or not isinstance(value, (int, float)):
        return False
    moved = float(value) - float(reading.value)
    day = max(clock.tolerance_s, DAY_S)  # a word order is told even if the clock is off as well
    return within(Interval(offset.low + moved, offset.high + moved), -day, day) is Verdict.PASS


def _by_size(offset: Interval, tolerance_s: float) -> ClockClass:
    days = round(offset.middle / DAY_S)
    if days and _near(offset, days * DAY_S, tolerance_s):
        text = f"{abs(days)} day{'s' if abs(days) > 1 else ''} {'behind' if days < 0 else 'ahead'}"
        return ClockClass(
            f"Time of day is right, but the date is {text}",
            "The date was set by hand, or lost its roll-over at midnight: set date and time together.",
        )
    quarters = round(offset.middle / (HOUR_S / 4))
    if quarters and abs(quarters) <= 4 * 26 and _near(offset, quarters * HOUR_S / 4, tolerance_s):
        return _zone(quarters / 4)
    for seconds, scale in SCALES.items():
        if _near(offset, seconds, min(tolerance_s, 0.9)) or _near(offset, -seconds, min(tolerance_s, 0.9)):
            return ClockClass(
                f"Clock is off by {seconds} s, as the {scale} time scale is",
                "Its time source gives another scale than UTC: look at the leap-second setting of the "
                "source.",
            )
    return ClockClass(
        "Clock is off",
        "Find out which master sets it and how often; a clock that drifts this far between two settings "
        "needs "
        "setting more often.",
    )


def _near(offset: Interval, wanted: float, tolerance_s: float) -> bool:
    """True if the offset may be the wanted one within the tolerance."""
    return within(offset, wanted - tolerance_s, wanted + tolerance_s) is not Verdict.FAIL


def _zone(hours: float) -> ClockClass:
    size = f"{abs(hours):g} h"
    way = "ahead" if hours > 0 else "behind"
    return ClockClass(
        f"Clock shows another time zone: {size} {way}",
        "Minutes and seconds are right, so this is no drift: local time against UTC, summer time, or the "
        "zone in "
        "the map. Decide which it shall be for the whole lineup.",
        hours=hours,
    )
