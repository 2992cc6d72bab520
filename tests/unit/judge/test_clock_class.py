"""What kind of wrong a clock is. Sizes: RFC 5905, Figure 4 (epochs, eras); the others from memory."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from probe.judge.clock_class import EPOCHS, WORD_ORDER, ClockClass, Wrong, classify
from probe.judge.limit import around
from probe.model.clock_codec import make_clock
from probe.model.device_map import Clock
from probe.model.profile import Area, ClockRule, Point
from probe.model.reading import Quality, Reading

UTC_RULE = ClockRule(point="clock", zone="utc", resolution_s=1.0)
LOCAL_RULE = ClockRule(point="clock", zone="local", resolution_s=1.0)
POINT = Point(
    name="clock", title="Clock", area=Area.HOLDING, start=0, count=6, type="clock", order="",
    decoder=make_clock("ymdhms"),
)  # fmt: skip


def when(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def kind(
    shown: str, true: str, *, width_s: float = 0.02, rule: ClockRule = UTC_RULE, **clock: object
) -> ClockClass:
    """The class of a clock that shows one time when it is another (both as UTC)."""
    offset = around(when(shown) - when(true), width_s / 2)
    reading = Reading("F1", "clock", when(shown), Quality.GOOD, b"", 0, 1, 1, 0)
    wrong = Wrong(offset, when(shown), when(true))
    return classify(wrong, reading, POINT, rule, Clock(tolerance_s=0.5, **clock))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("shown", "true", "title"),
    [
        ("2026-04-03T10:00:00", "2026-03-04T10:00:00", "Date has day and month exchanged"),
        ("2004-03-26T10:00:00", "2026-03-04T10:00:00", "Date has year, day exchanged"),
        ("2025-03-04T10:00:00", "2026-03-04T10:00:00", "Year is wrong: 1 year behind"),
        ("2016-03-04T10:00:00", "2026-03-04T10:00:00", "Year is wrong: 10 years behind"),
        ("2026-03-05T10:00:00", "2026-03-04T10:00:00", "the date is 1 day ahead"),
        ("2027-03-05T10:00:00", "2026-03-04T10:00:00", "the date is 366 days ahead"),
        ("2027-03-06T10:00:00", "2026-03-04T10:00:00", "Clock is off"),
        ("2026-03-04T10:00:37", "2026-03-04T10:00:00", "37 s, as the TAI"),
        ("2026-03-04T09:59:23", "2026-03-04T10:00:00", "37 s, as the TAI"),
        ("2026-03-04T10:00:19", "2026-03-04T10:00:00", "19 s, as the TAI taken for GPS"),
        ("2026-03-04T10:00:18", "2026-03-04T10:00:00", "18 s, as the GPS"),
        ("2026-03-04T10:00:01", "2026-03-04T10:00:00", "off by one second, as after a leap second"),
        ("2026-03-04T10:15:00", "2026-03-04T10:00:00", "0.25 h ahead"),
        ("2026-03-04T10:00:05", "2026-03-04T10:00:00", "Clock is off"),
        ("2006-07-19T10:00:00", "2026-03-04T10:00:00", "the size of its counter"),  # 1024 weeks: 7168 days
        ("2045-10-18T10:00:00", "2026-03-04T10:00:00", "the size of its counter"),
        ("1900-01-01T03:31:44", "2036-02-07T10:00:00", "Clock was never set"),
        ("1901-12-14T10:00:00", "2038-01-20T16:28:16", "the size of its counter"),  # signed 32 bits ended
        ("1956-03-05T10:00:00", "2026-03-04T10:00:00", "seconds since 1900 instead of 1970"),
    ],
)
def test_each_kind_has_its_name(shown: str, true: str, title: str) -> None:
    assert title in kind(shown, true).title


@pytest.mark.parametrize(
    "first",
    ["1900-01-01", "1970-01-01", "1980-01-01", "1980-01-06", "1984-01-01", "1990-01-01", "2000-01-01"],
)
def test_a_clock_near_a_customary_first_date_was_never_set(first: str) -> None:
    """Source: RFC 5905, Figure 4 for 1900, 1970 and 1980-01-06; the others from memory."""
    assert "Clock was never set" in kind(f"{first}T03:31:44", "2026-03-04T10:00:00").title


def test_a_leap_second_is_no_name_for_what_is_read_to_a_second() -> None:
    assert kind("2026-03-04T10:00:01", "2026-03-04T10:00:00", width_s=0.9).title == "Clock is off"


@pytest.mark.parametrize(
    ("rule", "hours", "true", "zone", "words"),
    [
        (LOCAL_RULE, -1, "2026-07-01T12:00:00", "Europe/Dublin", "does not follow summer time"),
        (
            LOCAL_RULE,
            1,
            "2026-01-10T12:00:00",
            "Europe/Berlin",
            "shows summer time, which Europe/Berlin",
        ),
        (LOCAL_RULE, 7, "2026-01-10T12:00:00", "America/Denver", "UTC instead of the local time"),
        (
            UTC_RULE,
            -6,
            "2026-07-01T12:00:00",
            "America/Denver",
            "local time of America/Denver instead of UTC",
        ),
        (UTC_RULE, -7, "2026-07-01T12:00:00", "America/Denver", "without summer time instead of UTC"),
        (UTC_RULE, 5.5, "2026-07-01T12:00:00", "UTC", "Local time against UTC"),
        (UTC_RULE, -12, "2026-07-01T15:00:00", "UTC", "morning and afternoon"),
    ],
)
def test_the_rules_of_the_zone_at_that_date_say_why(
    rule: ClockRule, hours: float, true: str, zone: str, words: str
) -> None:
    shown = datetime.fromtimestamp(when(true) + hours * 3600, UTC).replace(tzinfo=None).isoformat()
    found = kind(shown, true, rule=rule, zone=zone)
    assert f"{abs(hours):g} h" in found.title
    assert words in found.advice
    assert found.hours == hours


# -- edges --------------------------------------------------------------------------------------------------


def off(
    offset_s: float,
    *,
    true: str = "2026-03-04T10:00:00",
    half_s: float = 0.0,
    tolerance_s: float = 0.5,
    rule: ClockRule = UTC_RULE,
    zone: str = "UTC",
) -> ClockClass:
    """The class of a clock so many seconds ahead at an instant, known to half_s."""
    shown_s = when(true) + offset_s
    reading = Reading("F1", "clock", shown_s, Quality.GOOD, b"", 0, 1, 1, 0)
    wrong = Wrong(around(offset_s, half_s), shown_s, when(true))
    return classify(wrong, reading, POINT, rule, Clock(tolerance_s=tolerance_s, zone=zone))


HOUR, DAY, YEAR = 3600.0, 86_400.0, 365.25 * 86_400


@pytest.mark.parametrize(
    ("after_epoch_s", "never"),
    [(-DAY - 1, False), (-DAY, True), (0, True), (YEAR - 1, True), (YEAR, False)],
)
def test_never_set_is_from_a_day_before_its_first_date_to_a_year_after_it(
    after_epoch_s: float, never: bool
) -> None:
    """2000-01-01, seen in 2026 at an odd second of the day."""
    found = off(
        when("2000-01-01T00:00:00") + after_epoch_s - when("2026-03-04T10:11:13"), true="2026-03-04T10:11:13"
    )
    assert (found.title == "Clock was never set") is never
    assert found.absurd is never


@pytest.mark.parametrize(("true", "never"), [("2002-01-03T10:00:00", True), ("2001-12-20T10:00:00", False)])
def test_a_clock_less_than_two_years_off_may_have_been_set(true: str, never: bool) -> None:
    """It shows 2000-01-02 00:00:07, less and more than 730.5 days later."""
    found = off(when("2000-01-02T00:00:07") - when(true), true=true)
    assert (found.title == "Clock was never set") is never


def test_the_profiles_own_first_date_counts_too() -> None:
    own = ClockRule(point="clock", zone="utc", resolution_s=1.0, epoch_s=when("2010-05-01T00:00:00"))
    offset = when("2010-05-02T03:31:44") - when("2026-03-04T10:00:00")
    assert off(offset, rule=own).title == "Clock was never set"
    assert off(offset).title != "Clock was never set"
    assert "from its first date" in off(offset, rule=own).advice


# 2026-01-01T00:00:00Z is 0x6955B900; with its words exchanged it reads 2068-05-09T17:58:45Z (computed)
SWAPPED = bytes.fromhex("B9006955")


def swapped(
    *,
    true: str = "2026-01-01T00:00:00",
    tolerance_s: float = 2.0,
    raw: bytes = SWAPPED,
    kind: str = "unix_s",
    unavailable: tuple[int, ...] = (),
) -> ClockClass:
    clock = replace(POINT, decoder=make_clock(kind, unavailable=unavailable))
    shown_s = when("2068-05-09T17:58:45")
    reading = Reading("F1", "clock", shown_s, Quality.GOOD, raw, 0, 1, 1, 0)
    wrong = Wrong(around(shown_s - when(true), 0.5), shown_s, when(true))
    return classify(wrong, reading, clock, UTC_RULE, Clock(tolerance_s=tolerance_s))


@pytest.mark.parametrize(
    ("true", "tolerance_s", "told"),
    [
        ("2026-01-01T00:00:00", 2, True),
        ("2026-01-01T20:00:00", 2, True),  # a zone off as well
        ("2025-12-31T04:00:00", 2, True),
        ("2026-01-02T01:00:00", 2, False),
        ("2025-12-30T23:00:00", 2, False),
        ("2026-01-02T01:00:00", 100_000, True),  # a tolerance beyond a day
    ],
)
def test_exchanged_words_are_known_by_the_time_that_they_give(
    true: str, tolerance_s: float, told: bool
) -> None:
    found = swapped(true=true, tolerance_s=tolerance_s)
    assert (found.title == WORD_ORDER) is told
    if told:
        assert found.absurd
        assert "With its two registers exchanged" in found.advice


def test_words_are_exchanged_where_there_are_two_of_them() -> None:
    assert swapped().title == WORD_ORDER
    assert swapped(raw=b"\x00\x00" + SWAPPED + b"\x00\x00", kind="unix_s_64").title != WORD_ORDER
    assert swapped(unavailable=(0x6955B900,)).title != WORD_ORDER, "no date in the other order"


@pytest.mark.parametrize(("low_word", "told"), [(0x6900, False), (0x6700, True)])
def test_words_less_than_a_year_apart_may_be_alike_by_chance(low_word: int, told: bool) -> None:
    """0x6955 6900 for 0x6900 6955 is 64 days, 0x6955 6700 for 0x6700 6955 is 453 days (computed)."""
    shown, true = 0x6955 << 16 | low_word, low_word << 16 | 0x6955
    clock = replace(POINT, decoder=make_clock("unix_s"))
    reading = Reading("F1", "clock", shown, Quality.GOOD, shown.to_bytes(4, "big"), 0, 1, 1, 0)
    wrong = Wrong(around(shown - true, 0.5), shown, true)
    found = classify(wrong, reading, clock, UTC_RULE, Clock(tolerance_s=0.5))
    assert (found.title == WORD_ORDER) is told


@pytest.mark.parametrize(
    ("shown", "true", "title"),
    [
        ("2027-03-04T10:00:00", "2026-03-04T10:00:00", "Year is wrong: 1 year ahead"),
        ("2028-03-04T10:00:00", "2026-03-04T10:00:00", "Year is wrong: 2 years ahead"),
        ("2024-03-04T10:00:00", "2026-03-04T10:00:00", "Year is wrong: 2 years behind"),
        ("2026-03-02T10:00:00", "2026-03-04T10:00:00", "the date is 2 days behind"),
        ("2026-03-06T10:00:00", "2026-03-04T10:00:00", "the date is 2 days ahead"),
        ("2026-03-03T10:00:00", "2026-03-04T10:00:00", "the date is 1 day behind"),
        ("2025-03-03T10:00:00", "2026-03-04T10:00:00", "the date is 366 days behind"),
        ("2024-02-29T10:00:00", "2025-02-28T10:00:00", "the date is 365 days behind"),  # no such day in 2025
        ("2004-02-06T10:00:00", "2006-04-02T10:00:00", "Date has year, month, day exchanged"),
        ("2003-04-26T10:00:00", "2026-03-04T10:00:00", "Date has year, month, day exchanged"),
        ("2003-11-09T10:00:00", "2011-03-09T10:00:00", "Date has year, month exchanged"),
        ("2026-03-05T10:00:03", "2026-03-04T10:00:00", "Clock is off"),
    ],
)
def test_years_days_and_fields(shown: str, true: str, title: str) -> None:
    assert title in kind(shown, true).title
    assert not kind(shown, true).absurd


def test_the_advice_names_what_is_shown_and_what_is_meant() -> None:
    found = kind("2026-04-03T10:00:00", "2026-03-04T10:00:00")
    assert "It shows 2026-04-03 and means 2026-03-04" in found.advice


@pytest.mark.parametrize("excess_s", [-0.6, -0.5, 0.5, 0.6])
@pytest.mark.parametrize(
    ("whole_s", "title"),
    [(DAY, "the date is 1 day ahead"), (-365 * DAY, "Year is wrong: 1 year behind"),
     (HOUR, "another time zone: 1 h"), (30 * DAY, "Date has day and month")],
)  # fmt: skip
def test_the_rest_is_within_the_tolerance(whole_s: float, title: str, excess_s: float) -> None:
    """0.5 s of tolerance, the edge with it; day and month: 2026-04-03 for 2026-03-04 is 30 days ahead."""
    assert (title in off(whole_s + excess_s).title) is (abs(excess_s) <= 0.5)


def test_a_time_beyond_the_calendar_is_simply_off() -> None:
    assert off(1e15).title == "Clock is off"


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("quarters", "zone"), [(1, True), (95, True), (97, True), (104, True), (105, False), (0, False)]
)
def test_zones_are_quarter_hours_up_to_26_hours(sign: int, quarters: int, zone: bool) -> None:
    """From UTC-12 to UTC+14 (tz database). Whole days are days."""
    found = off(sign * quarters * 900.0 + (5.0 if not quarters else 0.0))
    assert ("another time zone" in found.title) is zone
    assert found.hours == (sign * quarters / 4 if zone else 0)
    if zone:
        assert found.title.endswith(f"{quarters / 4:g} h {'ahead' if sign > 0 else 'behind'}")


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("off_s", "tolerance_s", "scale"),
    [(37, 0.5, "TAI"), (37.5, 0.5, "TAI"), (37.6, 0.5, ""), (37.9, 5, "TAI"), (36.1, 5, "TAI"), (38, 5, ""),
     (18, 0.5, "GPS"), (17.4, 0.5, ""), (19, 0.5, "TAI taken for GPS"), (20.1, 5, "")],
)  # fmt: skip
def test_time_scales_are_known_to_less_than_a_second(
    sign: int, off_s: float, tolerance_s: float, scale: str
) -> None:
    """TAI - UTC 37 s, GPS - UTC 18 s, TAI - GPS 19 s (from memory); 0.9 s to either side at most."""
    found = off(sign * off_s, tolerance_s=tolerance_s)
    assert ("time scale" in found.title) is bool(scale)
    assert f"as the {scale} time scale is" in found.title or not scale


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("off_s", "half_s", "leap"),
    [(1.0, 0.05, True), (1.0, 0.099, True), (1.0, 0.1, False), (1.1, 0.0, True), (0.9, 0.0, True),
     (1.11, 0.0, False), (0.89, 0.0, False), (2.0, 0.05, False)],
)  # fmt: skip
def test_a_leap_second_is_one_second_known_to_a_tenth(
    sign: int, off_s: float, half_s: float, leap: bool
) -> None:
    assert ("leap second" in off(sign * off_s, half_s=half_s).title) is leap


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("off_s", "words"),
    [(2.0**32, "32-bit count"), (2.0**32 + DAY, "32-bit count"), (2.0**32 - DAY - 7, ""),
     (1024 * 7 * DAY, "week number"), (1024 * 7 * DAY + DAY - 7, "week number"),
     (1024 * 7 * DAY + DAY + 7, "")],
)  # fmt: skip
def test_counters_that_began_anew_are_known_to_a_day(sign: int, off_s: float, words: str) -> None:
    """2^32 s; 1024 weeks (GPS, from memory)."""
    found = off(sign * off_s, true="2040-07-19T10:11:13")
    assert (found.title == "Clock is off by the size of its counter") is bool(words)
    assert words in found.advice
    assert found.absurd is bool(words)


COUNTED = {1900: "1900-01-01", 1970: "1970-01-01", 1980: "1980-01-06", 2000: "2000-01-01"}


@pytest.mark.parametrize(("a", "b"), [(a, b) for a in COUNTED for b in COUNTED if a != b])
def test_counts_from_another_first_date_name_both(a: int, b: int) -> None:
    """Read as seconds since a where they are since b. Source: RFC 5905, Figure 4; 1980-01-06 from memory."""
    offset = when(f"{COUNTED[a]}T00:00:00") - when(f"{COUNTED[b]}T00:00:00")
    found = off(offset + 7, true="2033-07-19T10:11:13")
    assert found.title == f"Clock is read from the wrong first date: seconds since {a} instead of {b}"
    assert f"With {b} as first date" in found.advice
    assert found.absurd
    far = off(offset + (DAY + 700) * (1 if offset > 0 else -1), true="2033-07-19T10:11:13")
    assert "first date" not in far.title


@pytest.mark.parametrize(
    ("rule", "hours", "true", "zone", "words"),
    [
        (LOCAL_RULE, -1, "2026-01-10T12:00:00", "Europe/Berlin", "UTC instead of the local time"),
        (LOCAL_RULE, -1, "2026-01-10T12:00:00", "UTC", "Local time against UTC"),  # no summer then
        (LOCAL_RULE, 1, "2026-07-01T12:00:00", "Europe/Berlin", "Local time against UTC"),
        (LOCAL_RULE, -2, "2026-07-01T12:00:00", "Europe/Berlin", "UTC instead of the local time"),
        (LOCAL_RULE, 2, "2026-07-01T12:00:00", "Europe/Berlin", "Local time against UTC"),
        (UTC_RULE, 2, "2026-07-01T12:00:00", "Europe/Berlin", "local time of Europe/Berlin instead of UTC"),
        (UTC_RULE, 1, "2026-07-01T12:00:00", "Europe/Berlin", "without summer time instead of UTC"),
        (UTC_RULE, 1, "2026-01-10T12:00:00", "Europe/Berlin", "local time of Europe/Berlin instead of UTC"),
        (UTC_RULE, -1, "2026-07-01T12:00:00", "Europe/Berlin", "Local time against UTC"),
        (LOCAL_RULE, 12, "2026-01-10T12:00:00", "UTC", "morning and afternoon"),
        (LOCAL_RULE, -12, "2026-01-10T12:00:00", "Tarn/Hollow", "morning and afternoon"),
        (LOCAL_RULE, 11, "2026-01-10T12:00:00", "UTC", "Local time against UTC"),
        (LOCAL_RULE, 1, "2026-01-10T12:00:00", "UTC", "shows summer time, which UTC does not have"),
    ],
)
def test_each_cause_has_its_own_hours(
    rule: ClockRule, hours: float, true: str, zone: str, words: str
) -> None:
    assert words in off(hours * HOUR, true=true, rule=rule, zone=zone).advice


FIRST_DATES = (
    "1900-01-01",
    "1970-01-01",
    "1980-01-01",
    "1980-01-06",
    "1984-01-01",
    "1990-01-01",
    "2000-01-01",
)


def test_the_customary_first_dates() -> None:
    """Source: RFC 5905, Figure 4 for 1900, 1970 and 1980-01-06; the others from memory."""
    assert tuple(when(f"{first}T00:00:00") for first in FIRST_DATES) == EPOCHS


def test_fields_that_are_alike_are_not_exchanged() -> None:
    """3 March is 3 March in either order; only the year is wrong."""
    assert kind("1926-03-03T10:00:00", "2026-03-03T10:00:00").title == "Year is wrong: 100 years behind"
    assert kind("1926-03-05T10:00:00", "2026-03-05T10:00:00").title == "Year is wrong: 100 years behind"
