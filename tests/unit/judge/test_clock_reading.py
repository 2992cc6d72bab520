"""Readings as stamps: order, zone, what the device marks, what is no date."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from probe.judge.clock_reading import ClockReadings, shown_s, sort_out
from probe.judge.clock_region import Stamp
from probe.model.clock_codec import make_clock
from probe.model.codec import Encoding, make_decoder
from probe.model.profile import Area, ClockRule, Point
from probe.model.reading import Quality, Reading, Value

S = 1_000_000_000
HOUR = 3600 * S


def point(kind: str) -> Point:
    return Point(
        name="clock", title="Clock", area=Area.HOLDING, start=0, count=6, type="clock", order="",
        decoder=make_clock(kind),
    )  # fmt: skip


def rule(zone: str = "utc", resolution_s: float = 1.0) -> ClockRule:
    return ClockRule(point="clock", zone=zone, resolution_s=resolution_s)


def when(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def reading(
    value: Value, sent_ns: int = 0, quality: Quality = Quality.GOOD, raw: bytes = b"", number: int = 1
) -> Reading:
    return Reading("F1", "clock", value, quality, raw, sent_ns, sent_ns + 5, number, 0)


def sorted_out(
    *readings: Reading,
    of: ClockRule | None = None,
    zone: str = "UTC",
    wall_s: Callable[[int], float | None] = lambda _: None,
) -> ClockReadings:
    return sort_out(readings, point("ymdhms"), of or rule(), zone, wall_s)


def test_stamps_stand_in_the_order_of_asking_with_their_times_and_step() -> None:
    noon = when("2026-03-04T12:00:00")
    found = sorted_out(reading(noon + 1, sent_ns=700, number=2), reading(noon, sent_ns=300))
    assert found.stamps == (
        Stamp(300, 305, round(noon) * S, S),
        Stamp(700, 705, round(noon + 1) * S, S),
    )
    assert [one.reading.sequence for one in found.stamped] == [1, 2]
    assert [(one.shift_ns, one.marked) for one in found.stamped] == [(0, False), (0, False)]
    assert found.impossible == ()


@pytest.mark.parametrize(("resolution_s", "step_ns"), [(1.0, S), (0.001, 1_000_000), (60.0, 60 * S)])
def test_the_step_is_that_of_the_profile(resolution_s: float, step_ns: int) -> None:
    found = sorted_out(reading(when("2026-03-04T12:00:00")), of=rule(resolution_s=resolution_s))
    assert found.stamps[0].resolution_ns == step_ns


def test_milliseconds_come_through_whole() -> None:
    """A double near 1.77e9 is good to 0.24 us: the nanoseconds are made from whole milliseconds."""
    noon = when("2026-03-04T12:00:00")
    for millisecond in (1, 123, 589, 999):
        found = sorted_out(reading(noon + millisecond / 1000), of=rule(resolution_s=0.001))
        assert found.stamps[0].shown_ns == round(noon) * S + millisecond * 1_000_000


@pytest.mark.parametrize(
    ("zone", "ahead_ns"),
    [("America/New_York", -5 * HOUR), ("Asia/Kolkata", 5 * HOUR + HOUR // 2), ("UTC", 0)],
)
def test_a_local_clock_is_taken_to_utc_and_what_it_is_ahead_is_kept(zone: str, ahead_ns: int) -> None:
    """2026-03-04, before the zones change: five hours behind, five and a half ahead (tz database)."""
    shown = when("2026-03-04T12:00:00")
    found = sorted_out(reading(shown), of=rule("local"), zone=zone)
    (one,) = found.stamped
    assert one.stamp.shown_ns == round(shown) * S - ahead_ns
    assert one.shift_ns == ahead_ns


@pytest.mark.parametrize(("near", "utc"), [("00:30:05", "00:30:00"), ("01:29:58", "01:30:00")])
def test_in_the_repeated_hour_the_instant_of_asking_decides(near: str, utc: str) -> None:
    """Berlin repeats 02:00 to 03:00 on 2026-10-25 (tz database)."""
    shown, asked = when("2026-10-25T02:30:00"), []

    def wall_s(at_ns: int) -> float:
        asked.append(at_ns)
        return when(f"2026-10-25T{near}")

    found = sorted_out(reading(shown, sent_ns=77), of=rule("local"), zone="Europe/Berlin", wall_s=wall_s)
    assert found.stamps[0].shown_ns == round(when(f"2026-10-25T{utc}")) * S
    assert asked == [77]


def test_what_shows_no_date_is_counted_apart() -> None:
    noon = when("2026-03-04T12:00:00")
    found = sorted_out(
        reading(noon), reading(0, 10, Quality.OUT_OF_TYPE), reading(noon + 1, 20), reading("now", 30)
    )
    assert [one.sent_ns for one in found.stamps] == [0, 20]
    assert [one.sent_ns for one in found.impossible] == [10, 30]


def test_local_time_in_a_zone_that_nobody_knows_is_no_instant() -> None:
    found = sorted_out(reading(when("2026-03-04T12:00:00")), of=rule("local"), zone="Tarn/Hollow")
    assert (found.stamps, len(found.impossible)) == ((), 1)


def test_a_date_that_the_device_marks_itself_counts_and_is_marked() -> None:
    """CP56Time2a with its invalid bit: 2026-07-04 23:59:59.999. Source: IEC 60870-5-4, 6.8."""
    raw = bytes.fromhex("5FEABB97C4071A00")
    clock = point("cp56_octets")
    value, quality = clock.decoder.decode(raw)
    assert quality is Quality.NOT_AVAILABLE
    marked = reading(value, quality=quality, raw=raw)
    found = sort_out([marked], clock, rule(resolution_s=0.001), "UTC", lambda _: None)
    (one,) = found.stamped
    assert one.marked
    assert one.stamp.shown_ns == round(when("2026-07-04T23:59:59")) * S + 999_000_000
    assert shown_s(marked, clock) == pytest.approx(when("2026-07-04T23:59:59") + 0.999, abs=1e-6)


def test_a_marked_value_of_a_clock_that_is_a_plain_number_is_no_date() -> None:
    number = make_decoder(Encoding(type="u32", count=2, order="ABCD"))
    plain = replace(point("ymdhms"), decoder=number)
    assert shown_s(reading(7, quality=Quality.NOT_AVAILABLE, raw=bytes(4)), plain) is None
