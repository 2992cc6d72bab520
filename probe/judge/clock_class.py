"""What kind of wrong a clock is: a zone, a date, a time scale, a roll-over, never set, or simply off.

A skew of 56 years or of exactly one hour is not drift, and its remedy is another one.
Source of the time scales: TAI - UTC = 37 s since 2017, GPS - UTC = 18 s (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import permutations
from typing import NamedTuple

from probe.judge.limit import Interval, within
from probe.judge.proof import turned
from probe.judge.zone import zone_offsets
from probe.model.device_map import Clock
from probe.model.finding import Verdict
from probe.model.profile import ClockRule, Point
from probe.model.reading import Quality, Reading

HOUR_S = 3600.0
DAY_S = 86_400.0
YEAR_S = 365.25 * DAY_S
#: A zone of the world may stand so many quarter hours from UTC, and twice that from another one.
MOST_QUARTERS = 4 * 26
WORD_ORDER = "Clock is read in the wrong word order"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

#: Where clocks begin that were never set: the customary epochs.
EPOCHS = tuple(
    datetime(year, 1, day, tzinfo=UTC).timestamp()
    for year, day in ((1900, 1), (1970, 1), (1980, 1), (1980, 6), (1984, 1), (1990, 1), (2000, 1))
)
#: Epochs from which counts of seconds are customary.
COUNTED_FROM = {1900: EPOCHS[0], 1970: 0.0, 1980: EPOCHS[3], 2000: EPOCHS[6]}
SCALES = {37: "TAI", 18: "GPS", 19: "TAI taken for GPS"}
#: Sizes after which counters begin anew: 32 bits of seconds, ten bits of weeks (GPS; from memory).
ROLLS = {
    2.0**32: "a 32-bit count of seconds has begun anew",
    1024 * 7 * DAY_S: "a satellite receiver's ten-bit week number has begun anew (1024 weeks)",
}


class ClockClass(NamedTuple):
    """title and advice in plain words. absurd: a skew number would mislead. hours: of a zone, else 0."""

    title: str
    advice: str
    absurd: bool = False
    hours: float = 0.0


class Wrong(NamedTuple):
    """A clock that is off. offset: bounds of (device - reference), seconds. shown_s: what it shows, its own
    date and time read as if they were UTC. true_s: Unix seconds of the instant, about."""

    offset: Interval
    shown_s: float
    true_s: float


def classify(wrong: Wrong, reading: Reading, point: Point, rule: ClockRule, clock: Clock) -> ClockClass:
    """The class of a clock that is off."""
    if _never_set(wrong, rule):
        return ClockClass(
            "Clock was never set",
            "It counts from its first date since power came on: find out which master should set it, and why "
            "it did not.",
            absurd=True,
        )
    if _fits_in_other_order(wrong.offset, reading, point, clock):
        return ClockClass(
            WORD_ORDER,
            "With its two registers exchanged the time is right: the profile's order for this point is "
            "wrong.",
            absurd=True,
        )
    return _by_calendar(wrong, clock.tolerance_s) or _by_size(wrong, rule, clock)


def _never_set(wrong: Wrong, rule: ClockRule) -> bool:
    """True for a time within a year after a customary or the profile's own first date, and years off."""
    if abs(wrong.offset.middle) < 2 * YEAR_S:
        return False
    epochs = EPOCHS if rule.epoch_s is None else (*EPOCHS, rule.epoch_s)
    return any(-DAY_S <= wrong.shown_s - epoch < YEAR_S for epoch in epochs)


def _fits_in_other_order(offset: Interval, reading: Reading, point: Point, clock: Clock) -> bool:
    if len(reading.raw) != 4 or abs(offset.middle) < YEAR_S:
        return False
    value, quality = point.decoder.decode(turned(reading.raw, (True, False)))
    if quality is not Quality.GOOD or not isinstance(value, (int, float)):
        return False
    moved = float(value) - float(reading.value)
    day = max(clock.tolerance_s, DAY_S)  # a word order is told even if the clock is off as well
    return within(Interval(offset.low + moved, offset.high + moved), -day, day) is Verdict.PASS


# --- the calendar ----------------------------------------------------------------------------------------


def _by_calendar(wrong: Wrong, tolerance_s: float) -> ClockClass | None:
    """A date with fields exchanged, another year, or so many days off."""
    try:
        shown = _EPOCH + timedelta(seconds=wrong.shown_s)
    except OverflowError:
        return None
    for names, meant in _exchanged(shown):
        if _near(wrong.offset, (shown - meant).total_seconds(), tolerance_s):
            return ClockClass(
                f"Date has {names} exchanged",
                f"It shows {shown:%Y-%m-%d} and means {meant:%Y-%m-%d}: whoever set it, or the profile, has "
                "the fields of the date in another order. Events carry a date that nobody finds.",
            )
    years = round(wrong.offset.middle / YEAR_S)
    meant_year = _with_year(shown, shown.year - years) if years else None
    if meant_year and _near(wrong.offset, (shown - meant_year).total_seconds(), tolerance_s):
        text = f"{abs(years)} year{'s' if abs(years) > 1 else ''} {'behind' if years < 0 else 'ahead'}"
        return ClockClass(
            f"Year is wrong: {text}",
            "Day and time are right: the year was set by hand, or was lost with the battery. Set date and "
            "time together.",
        )
    return _by_days(wrong.offset, tolerance_s)


def _exchanged(shown: datetime) -> Iterator[tuple[str, datetime]]:
    """Dates that are meant if two or three of the shown one's fields stand in each other's place."""
    fields = {"year": shown.year % 100, "month": shown.month, "day": shown.day}
    for order in permutations(fields):
        moved = [name for name, source in zip(fields, order, strict=True) if name != source]
        values = [fields[source] for source in order]
        if not moved or values == list(fields.values()):
            continue
        try:
            meant = shown.replace(year=2000 + values[0], month=values[1], day=values[2])
        except ValueError:
            continue
        names = "day and month" if moved == ["month", "day"] else ", ".join(moved)
        yield names, meant


def _with_year(shown: datetime, year: int) -> datetime | None:
    try:
        return shown.replace(year=year)
    except ValueError:  # 29 February, or a year that no calendar has
        return None


def _by_days(offset: Interval, tolerance_s: float) -> ClockClass | None:
    days = round(offset.middle / DAY_S)
    if not days or abs(days) > 366 or not _near(offset, days * DAY_S, tolerance_s):
        return None
    text = f"{abs(days)} day{'s' if abs(days) > 1 else ''} {'behind' if days < 0 else 'ahead'}"
    return ClockClass(
        f"Time of day is right, but the date is {text}",
        "The date was set by hand, or lost its roll-over at midnight: set date and time together.",
    )


# --- the size --------------------------------------------------------------------------------------------


def _by_size(wrong: Wrong, rule: ClockRule, clock: Clock) -> ClockClass:
    offset, tolerance_s = wrong.offset, clock.tolerance_s
    quarters = round(offset.middle / (HOUR_S / 4))
    near = quarters and abs(quarters) <= MOST_QUARTERS and _near(offset, quarters * HOUR_S / 4, tolerance_s)
    if near:
        return _zone(quarters / 4, wrong.true_s, rule, clock)
    return (
        _by_scale(offset, tolerance_s)
        or _by_roll_over(offset)
        or ClockClass(
            "Clock is off",
            "Find out which master sets it and how often; a clock that drifts this far between two settings "
            "needs setting more often.",
        )
    )


def _by_scale(offset: Interval, tolerance_s: float) -> ClockClass | None:
    """Off as another time scale is, or by one leap second."""
    for seconds, scale in SCALES.items():
        if any(_near(offset, sign * seconds, min(tolerance_s, 0.9)) for sign in (1, -1)):
            return ClockClass(
                f"Clock is off by {seconds} s, as the {scale} time scale is",
                "Its time source gives another scale than UTC: look at the leap-second setting of the "
                "source.",
            )
    if offset.half_width < 0.1 and any(_near(offset, sign, 0.1) for sign in (1.0, -1.0)):
        return ClockClass(
            "Clock is off by one second, as after a leap second",
            "If all clocks of one source stand so, the source has missed a leap second or was told of one "
            "that did not come; otherwise it is simply off.",
        )
    return None


def _by_roll_over(offset: Interval) -> ClockClass | None:
    """A counter that began anew, or counts of seconds from another first date."""
    for size, what in ROLLS.items():
        if any(_near(offset, sign * size, DAY_S) for sign in (1, -1)):
            return ClockClass(
                "Clock is off by the size of its counter",
                f"Most likely {what}: newer firmware is needed, of the device or of what sets it.",
                absurd=True,
            )
    for (a, first), (b, second) in permutations(COUNTED_FROM.items(), 2):
        if _near(offset, first - second, DAY_S):
            return ClockClass(
                f"Clock is read from the wrong first date: seconds since {a} instead of {b}",
                f"With {b} as first date it is right to a day: correct the encoding in the profile.",
                absurd=True,
            )
    return None


def _near(offset: Interval, wanted: float, tolerance_s: float) -> bool:
    """True if the offset may be the wanted one within the tolerance."""
    return within(offset, wanted - tolerance_s, wanted + tolerance_s) is not Verdict.FAIL


def _zone(hours: float, true_s: float, rule: ClockRule, clock: Clock) -> ClockClass:
    """A clock that stands whole or quarter hours off. The zone's rules at that date say what that means."""
    size = f"{abs(hours):g} h"
    way = "ahead" if hours > 0 else "behind"
    return ClockClass(
        f"Clock shows another time zone: {size} {way}",
        f"Minutes and seconds are right, so this is no drift. {_zone_cause(hours, true_s, rule, clock)} "
        "Decide which it shall be for the whole lineup.",
        hours=hours,
    )


def _zone_cause(hours: float, true_s: float, rule: ClockRule, clock: Clock) -> str:
    """What such hours most likely come from."""
    offset_s, summer_s = zone_offsets(clock.zone, true_s) or (0.0, 0.0)
    wanted_s = hours * HOUR_S
    local = rule.zone == "local"
    if summer_s and local and wanted_s == -summer_s:
        return f"It does not follow summer time, which {clock.zone} has at this date."
    if local and not summer_s and wanted_s == HOUR_S:
        return f"It shows summer time, which {clock.zone} does not have at this date."
    if offset_s and wanted_s == (-offset_s if local else offset_s):
        return (
            f"It shows UTC instead of the local time of {clock.zone}."
            if local
            else f"It shows the local time of {clock.zone} instead of UTC."
        )
    if offset_s and summer_s and not local and wanted_s == offset_s - summer_s:
        return f"It shows the local time of {clock.zone} without summer time instead of UTC."
    if abs(hours) == 12:
        return "Twelve hours: morning and afternoon were exchanged when it was set."
    return "Local time against UTC, summer time, or the zone in the map."
