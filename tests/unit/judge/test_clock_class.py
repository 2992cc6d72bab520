"""What kind of wrong a clock is. Sizes: RFC 5905, Figure 4 (epochs, eras); the others from memory."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from probe.judge.clock_class import ClockClass, Wrong, classify
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
