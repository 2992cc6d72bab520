"""Clocks: impossible fields, two-digit years, local stamps as wall seconds, refusals."""

from __future__ import annotations

import datetime as dt
import struct

import pytest

from probe.model.clock_codec import clock_registers, make_clock
from probe.model.clock_fields import field_slots
from probe.model.clock_stamp import Stamp, stamp_of
from probe.model.reading import Quality

NOON = int(dt.datetime(2026, 3, 14, 12, 0, 0, tzinfo=dt.UTC).timestamp())


def registers(*words: int) -> bytes:
    return struct.pack(f">{len(words)}H", *words)


def test_fields_are_read_as_if_they_were_utc() -> None:
    """A stamp without zone gives wall seconds; the map's zone is the judge's work."""
    assert make_clock("ymdhms").decode(registers(2026, 3, 14, 12, 0, 0)) == (NOON, Quality.GOOD)


def test_seconds_stay_whole_and_milliseconds_do_not() -> None:
    assert type(make_clock("ymdhms").decode(registers(2026, 3, 14, 12, 0, 0))[0]) is int
    assert make_clock("ymdhms_ms").decode(registers(2026, 3, 14, 12, 0, 0, 250)) == (
        NOON + 0.25,
        Quality.GOOD,
    )


def test_a_year_below_100_counts_from_2000() -> None:
    assert make_clock("ymdhms").decode(registers(26, 3, 14, 12, 0, 0)) == (NOON, Quality.GOOD)
    assert make_clock("ym_dh_ms").decode(bytes([26, 3, 14, 12, 0, 0])) == (NOON, Quality.GOOD)


IMPOSSIBLE = [
    (2026, 0, 14, 12, 0, 0), (2026, 13, 14, 12, 0, 0), (2026, 3, 0, 12, 0, 0), (2026, 2, 29, 12, 0, 0),
    (2026, 3, 14, 24, 0, 0), (2026, 3, 14, 25, 0, 0), (2026, 3, 14, 12, 60, 0), (2026, 3, 14, 12, 0, 60),
    (10_000, 3, 14, 12, 0, 0), (0, 0, 0, 0, 0, 0),
]  # fmt: skip


@pytest.mark.parametrize("fields", IMPOSSIBLE)
def test_impossible_fields_are_out_of_type(fields: tuple[int, ...]) -> None:
    raw = registers(*fields)
    assert make_clock("ymdhms").decode(raw) == (int.from_bytes(raw, "big"), Quality.OUT_OF_TYPE)
    assert make_clock("ymdhms").stamp(raw) is None


def test_sixty_thousand_milliseconds_are_out_of_type() -> None:
    """CP56Time2a: 0 to 59999 (check values 2.3)."""
    good, bad = registers(0x001A, 0x03CE, 0x091A, 59_999), registers(0x001A, 0x03CE, 0x091A, 60_000)
    assert make_clock("cp56_fields").decode(good)[1] is Quality.GOOD
    assert make_clock("cp56_fields").decode(bad)[1] is Quality.OUT_OF_TYPE
    split = make_clock("unix_s_ms")
    assert split.decode(registers(0x6955, 0xB900, 1000))[1] is Quality.OUT_OF_TYPE
    assert split.decode(registers(0x6955, 0xB900, 999)) == (1_767_225_600.999, Quality.GOOD)


def test_the_leap_day() -> None:
    assert make_clock("ymdhms").decode(registers(2028, 2, 29, 0, 0, 0))[1] is Quality.GOOD


def test_a_wrong_weekday_is_told() -> None:
    """2026-03-14 is a Saturday (6)."""
    saturday = make_clock("cp56_fields").stamp(registers(0x001A, 0x03CE, 0x091A, 0xD155))
    sunday = make_clock("cp56_fields").stamp(registers(0x001A, 0x03EE, 0x091A, 0xD155))
    unused = make_clock("cp56_fields").stamp(registers(0x001A, 0x030E, 0x091A, 0xD155))
    assert saturday is not None
    assert sunday is not None
    assert unused is not None
    assert [s.weekday_agrees for s in (saturday, sunday, unused)] == [True, False, True]


def test_a_stamp_tells_its_seconds() -> None:
    assert Stamp(2026, 3, 14, 12, 0, 0).wall_s == NOON
    assert stamp_of(NOON) == Stamp(2026, 3, 14, 12, 0, 0, 0, 6)


def test_digits_in_bcd() -> None:
    clock = make_clock("fields", fields=("year", "month/day", "hour/minute", "second"), bcd=True)
    assert clock.decode(bytes.fromhex("2026 0314 1200 0000")) == (NOON, Quality.GOOD)
    assert clock.decode(bytes.fromhex("2026 031A 1200 0000"))[1] is Quality.OUT_OF_TYPE
    assert clock.encode(NOON) == bytes.fromhex("2026031412000000")


def test_resolution_follows_the_fields() -> None:
    assert make_clock("unix_s").resolution_s == 1
    assert make_clock("fields", fields=("year", "month", "day", "hour", "minute")).resolution_s == 60
    assert make_clock("ymdhms_ms").resolution_s == 0.001


def test_a_minute_clock_comes_back_cut() -> None:
    clock = make_clock("fields", fields=("year", "month", "day", "hour", "minute"))
    assert clock.decode(clock.encode(NOON + 42)) == (NOON, Quality.GOOD)


def test_not_available() -> None:
    clock = make_clock("unix_s", unavailable=(0xFFFFFFFF,))
    assert clock.decode(b"\xff" * 4)[1] is Quality.NOT_AVAILABLE
    assert clock.encode(None) == b"\xff" * 4
    assert clock.stamp(b"\xff" * 4) is None
    with pytest.raises(ValueError, match="not-available"):
        make_clock("unix_s").encode(None)


@pytest.mark.parametrize(
    ("encoding", "value"),
    [
        ("unix_s", -1),
        ("unix_s", 2**32),
        ("cp56_octets", 0),
        ("since_2000_s", 0),
        ("ym_dh_ms", 0),
        ("ymdhms", "noon"),
    ],
)  # fmt: skip
def test_moments_that_an_encoding_cannot_show_are_refused(encoding: str, value: object) -> None:
    with pytest.raises(ValueError, match=r"fit|holds|needed"):
        make_clock(encoding).encode(value)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        (("year", "month", "day", "hour"), "minute is missing"),
        (("year", "month", "day", "hour", "minute", "minute"), "minute stands twice"),
        (("year", "moon", "day", "hour", "minute"), "moon is no clock field"),
        (("year/month/day", "hour", "minute"), "at most two"),
        (("year", "month", "day", "hour", "minute", "second", "second_ms"), "second_ms"),
    ],
)
def test_impossible_lists_of_fields(fields: tuple[str, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        field_slots(fields)


def test_registers_of_encodings() -> None:
    assert {name: clock_registers(name) for name in ("unix_s", "unix_ms_64", "cp56_fields", "ymdhms")} == {
        "unix_s": 2, "unix_ms_64": 4, "cp56_fields": 4, "ymdhms": 6
    }  # fmt: skip
    assert clock_registers("fields", ("year", "month/day")) == 2


@pytest.mark.parametrize("year", [0, 99, 100, 127])
def test_cp56_has_years_to_99(year: int) -> None:
    """The field is 0..99 in seven bits (IEC 60870-5-4, 6.8). Found by fuzzing: 125 was the year 2125."""
    octets = struct.pack("<HBBBBB", 1000, 2, 3, 4, 5, year)
    value, quality = make_clock("cp56_octets").decode(octets + b"\0")
    assert quality is (Quality.GOOD if year < 100 else Quality.OUT_OF_TYPE), value


@pytest.mark.parametrize(
    ("year", "quality"), [(26, Quality.GOOD), (99, Quality.GOOD), (100, Quality.OUT_OF_TYPE)]
)
def test_a_year_in_one_octet_ends_at_99(year: int, quality: Quality) -> None:
    """Found by fuzzing: 126 (years since 1900, as C counts them) was taken for the year 126."""
    clock = make_clock("fields", fields=("year/month", "day/hour", "minute/second"))
    assert clock.decode(bytes((year, 3, 14, 12, 0, 0)))[1] is quality
