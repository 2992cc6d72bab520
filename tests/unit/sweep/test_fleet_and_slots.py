"""Fleet files and the instants that their time tables mean.

Sources beside the checks: the European rule for summer time (last Sundays of March and October, 01:00 UTC;
from memory, in the IANA data); what cron does with hours that do not exist or exist twice: Debian's cron(8).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from probe.model.errors import InputError
from probe.model.fleet import Fleet, Sweep
from probe.model.fleet_load import load_fleet
from probe.model.slots import due_now, first_start, next_slot, put_off_s, slots, trouble_with

HEAD = "format: buswitness-fleet/1\nzone: Europe/Berlin\nsweeps:\n"
BERLIN = ZoneInfo("Europe/Berlin")


def fleet_of(*sweeps: str) -> Fleet:
    return load_fleet("fleet.yaml", HEAD + "".join(f"  - {{{one}}}\n" for one in sweeps))


def sweep_of(rest: str) -> Sweep:
    return fleet_of(f"name: a, map: a.yaml, {rest}").sweeps[0]


RARE = "at: 0 0 29 2 *"  # 2100 is no leap year


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("sweep", "line", "words"),
    [
        ("name: a, map: m, at: 61 * * * *", 4, "no time table"),
        ("name: a, map: m, at: 0 2 * * *, zone: Mars/Olympus", 4, "no such time zone"),
        ("name: a, map: m, at: 0 2 * * *, budget: soon", 4, "no duration"),
        ("name: a, map: m, at: 0 2 * * *, catch_up: 99999999w", 4, "catch_up"),
        ("name: a, map: m, at: 0 2 * * *, quiet: [25:00-26:00]", 4, "no hours"),
        ("name: a, map: m, cron: 0 2 * * *", 4, "at"),
        ("name: a b, map: m, at: 0 2 * * *", 4, "name"),
        ("name: a, map: m, at: 0 2 * * *, quick: yes, dwell: 5m", 4, "contradict"),
    ],
)
def test_what_is_wrong_has_its_place(sweep: str, line: int, words: str) -> None:
    with pytest.raises(InputError) as refused:
        fleet_of(sweep)
    told = [problem for problem in refused.value.problems if words in str(problem)]
    assert told
    assert told[0].line == line


def test_one_map_is_swept_by_one_sweep() -> None:
    with pytest.raises(InputError) as refused:
        fleet_of("name: a, map: x/m.yaml, at: 0 2 * * *", "name: A, map: x/m.yaml, at: 0 3 * * *")
    assert [problem.field for problem in refused.value.problems] == ["sweeps[1].name", "sweeps[1].map"]


def starts(sweep: Sweep, after: str, many: int) -> list[str]:
    found = slots(sweep, BERLIN, at(after))
    return [next(found).at.strftime("%m-%dT%H:%M") for _ in range(many)]


@pytest.mark.parametrize(
    ("after", "expected"),
    [
        # 29 March 2026: 02:00 to 03:00 does not exist; the run is at once after it, 01:00 UTC.
        ("2026-03-28T00:00", ["03-28T01:30", "03-29T01:00", "03-30T00:30"]),
        # 25 October 2026: 02:30 exists twice; the run is at the first, 00:30 UTC, and only once.
        ("2026-10-24T00:00", ["10-24T00:30", "10-25T00:30", "10-26T01:30"]),
    ],
)
def test_a_change_of_the_clock_gives_exactly_one_run(after: str, expected: list[str]) -> None:
    assert starts(sweep_of("at: 30 2 * * *"), after, 3) == expected


def test_starts_are_spread_by_name_and_the_same_every_day() -> None:
    fleet = fleet_of(*(f"name: s{n}, map: {n}.yaml, at: 0 2 * * *, spread: 1h" for n in range(40)))
    put_off = [put_off_s(sweep) for sweep in fleet.sweeps]
    assert all(0 <= one < 3600 for one in put_off)
    assert len({round(one / 600) for one in put_off}) >= 5
    assert put_off == [put_off_s(sweep) for sweep in fleet.sweeps]


def test_no_start_in_quiet_hours() -> None:
    over_midnight = sweep_of("at: 30 23 * * *, quiet: [22:00-04:00, 04:00-05:00]")
    assert starts(over_midnight, "2026-01-01T12:00", 1) == ["01-02T04:00"]  # 05:00 in Berlin
    assert starts(sweep_of("at: 0 3 * * *, quiet: [04:00-05:00]"), "2026-01-01T12:00", 1) == ["01-02T02:00"]


def due(sweep: Sweep, done: str, now: str) -> tuple[Any, list[str]]:
    told = due_now(sweep, BERLIN, at(done), at(now))
    return (
        told.slot and told.slot.due.strftime("%m-%dT%H:%M"),
        [slot.due.strftime("%m-%dT%H:%M") for slot, _ in told.missed],
    )


def test_a_computer_that_slept_makes_up_for_one_start() -> None:
    daily = sweep_of("at: 0 3 * * *, catch_up: 12h")
    assert due(daily, "2026-01-05T02:00", "2026-01-06T01:59") == (None, [])
    assert due(daily, "2026-01-05T02:00", "2026-01-06T02:00") == ("01-06T02:00", [])
    assert due(daily, "2026-01-05T02:00", "2026-01-09T09:00") == (
        "01-09T02:00",
        ["01-06T02:00", "01-07T02:00", "01-08T02:00"],
    )
    assert due(daily, "2026-01-05T02:00", "2026-01-06T15:00") == (None, ["01-06T02:00"])


def test_time_tables_that_cannot_be_met() -> None:
    now = at("2026-01-01T00:00")
    assert "no start" in trouble_with(sweep_of(RARE), BERLIN, at("2097-01-01T00:00"))
    assert next_slot(sweep_of(RARE), BERLIN, at("2097-01-01T00:00")) is None
    assert next_slot(sweep_of(RARE), BERLIN, now) is not None
    assert "longer than" in trouble_with(sweep_of("at: '*/5 * * * *', budget: 10m"), BERLIN, now)
    assert trouble_with(sweep_of("at: '*/15 * * * *', budget: 10m"), BERLIN, now) == ""


def test_slots_come_in_order_and_never_twice() -> None:
    found = slots(
        sweep_of("at: '*/10 * * * *', spread: 5m, quiet: [08:00-09:00]"), BERLIN, at("2026-10-24T00:00")
    )
    listed = [next(found) for _ in range(400)]
    assert len({slot.due for slot in listed}) == 400
    assert all(b.due - a.due >= timedelta(minutes=10) for a, b in pairwise(listed))
    local = [slot.at.astimezone(BERLIN) for slot in listed]
    assert not any(moment.hour == 8 for moment in local)


@pytest.mark.parametrize(
    "rest", ["", ", spread: 6h", ', quiet: ["01:00-09:00"]', ', spread: 90m, quiet: ["22:00-04:00"]']
)
def test_the_first_start_is_the_earliest_of_all_that_are_still_to_come(rest: str) -> None:
    sweep = sweep_of(f"at: '30 2,5 * * *'{rest}")
    everything = list(zip(range(40), slots(sweep, BERLIN, at("2026-03-20T00:00")), strict=False))
    for hour in range(24 * 8):
        now = at("2026-03-25T00:00") + timedelta(hours=hour)
        assert first_start(sweep, BERLIN, now) == min(slot.at for _, slot in everything if slot.at > now)
