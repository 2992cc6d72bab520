"""Local time to instants by the rules of the time-zone database, on the days on which clocks change.

The dates of the changes: published by the national authorities and in the tz database (2026-03-29 and
2026-10-25 in the European Union at 01:00 UTC; 2026-03-08 and 2026-11-01 in the United States at 02:00 local
time; Lord Howe Island changes by half an hour).
"""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime

import pytest

from probe.judge.zone import clock_instant, zone_offsets
from probe.model.profile import ClockRule

LOCAL = ClockRule(point="clock", zone="local", resolution_s=1.0)


def wall(text: str) -> float:
    """Seconds of a date and time read as if they were UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("zone", "shown", "utc"),
    [
        ("Europe/Dublin", "2026-03-29T00:59:59", "2026-03-29T00:59:59"),
        ("Europe/Dublin", "2026-03-29T02:00:00", "2026-03-29T01:00:00"),
        ("Europe/Berlin", "2026-10-25T03:00:00", "2026-10-25T02:00:00"),
        ("America/New_York", "2026-03-08T01:59:59", "2026-03-08T06:59:59"),
        ("America/New_York", "2026-03-08T03:00:00", "2026-03-08T07:00:00"),
        ("America/Denver", "2026-07-01T12:00:00", "2026-07-01T18:00:00"),
        ("Australia/Lord_Howe", "2026-01-15T12:00:00", "2026-01-15T01:00:00"),
        ("Asia/Kathmandu", "2026-01-15T12:00:00", "2026-01-15T06:15:00"),
    ],
)
def test_a_local_stamp_is_the_instant_that_the_zone_says(zone: str, shown: str, utc: str) -> None:
    assert clock_instant(wall(shown), LOCAL, zone) == wall(utc)


@pytest.mark.parametrize(("near", "utc"), [("00:30:05", "00:30:00"), ("01:29:58", "01:30:00")])
def test_in_the_repeated_hour_the_nearer_one_is_meant(near: str, utc: str) -> None:
    shown = wall("2026-10-25T02:30:00")
    found = clock_instant(shown, LOCAL, "Europe/Berlin", wall(f"2026-10-25T{near}"))
    assert found == wall(f"2026-10-25T{utc}")


def test_a_time_that_the_zone_leaves_out_is_an_hour_late() -> None:
    """A device that did not change to summer time shows 02:30 when it is 03:30: it stands an hour behind."""
    truth = wall("2026-03-29T01:30:00")
    found = clock_instant(wall("2026-03-29T02:30:00"), LOCAL, "Europe/Berlin", truth)
    assert found == truth - 3_600


def test_offsets_of_a_zone_and_its_summer_share() -> None:
    assert zone_offsets("America/Denver", wall("2026-07-01T00:00:00")) == (-21_600, 3_600)
    assert zone_offsets("America/Denver", wall("2026-01-01T00:00:00")) == (-25_200, 0)
    assert zone_offsets("Europe/Dublin", wall("2026-07-01T00:00:00")) == (3_600, 3_600)
    assert zone_offsets("Tarn/Hollow", 0) is None


@pytest.mark.skipif(sys.platform == "win32", reason="no program date with a zone")
@pytest.mark.parametrize("zone", ["Europe/Dublin", "America/Denver", "Asia/Kolkata", "Pacific/Apia"])
def test_the_system_agrees(zone: str) -> None:
    """Against the system's own date program and its tz database, every 40 days of 2026."""
    for day in range(0, 365, 40):
        utc = int(wall("2026-01-01T06:30:00")) + day * 86_400
        told = subprocess.run(
            ["date", "-d", f"@{utc}", "+%Y-%m-%dT%H:%M:%S"],
            env={"TZ": zone, "PATH": "/usr/bin:/bin"},
            capture_output=True,
            text=True,
            check=False,
        )
        if told.returncode:
            pytest.skip("this system's date does not take -d")
        assert clock_instant(wall(told.stdout.strip()), LOCAL, zone, utc) == utc
