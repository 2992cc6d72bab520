"""A sweep on the practice lineup: an audit in a process of its own, its record kept, its history written."""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from probe.collect.inputs import open_lineup
from probe.collect.lineup_lock import at_the_gear, lineup_lock
from probe.history.baseline import accept, baseline
from probe.history.keep import Keeper
from probe.history.slot_book import SlotState, latest
from probe.history.status import open_lives, standings
from probe.history.store import History, open_history
from probe.practice.fault import Fault
from probe.practice.lineup import practice
from probe.practice.scenario import small_scenario
from probe.record.verify import verify
from probe.sweep.cycle import Cycle
from probe.sweep.drift import drift
from probe.sweep.place import FleetPlace, open_fleet
from probe.sweep.rebuild import rebuild
from probe.sweep.starts import run_sweep

TAGS = {"52-M1", "MC-1", "UPS-1"}
SITE, LINEUP = "Tarn Hollow Water Works", "MSB-1"


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    store = open_history(str(tmp_path / "history.sqlite"))
    yield store
    store.close()


def fleet_in(folder: Path, map_path: Path, more: str = "") -> FleetPlace:
    file = folder / "fleet.yaml"
    file.write_text(
        "format: buswitness-fleet/1\nsweeps:\n"
        f"  - {{name: msb-1, map: '{map_path.as_posix()}', at: '*/10 * * * *', quick: yes{more}}}\n",
        encoding="utf-8",
    )
    return open_fleet(file)


def on_lineup(folder: Path, faults: list[Fault], work: Callable[[Path], Any]) -> Any:
    """Do the work, which blocks, while a small practice lineup is up."""

    async def up() -> Any:
        async with practice(small_scenario(TAGS, faults), directory=folder) as lineup:
            return await asyncio.to_thread(work, lineup.map_path)

    return asyncio.run(up())


def test_runs_leave_records_and_a_history_that_can_be_made_again(tmp_path: Path, history: History) -> None:
    sound, bad, fleet_folder = tmp_path / "a", tmp_path / "b", tmp_path / "fleet"
    for folder in (sound, bad, fleet_folder):
        folder.mkdir()
    keeper = Keeper(history)

    def run(map_path: Path) -> Any:
        place = fleet_in(fleet_folder, map_path)
        return run_sweep(place, place.fleet.sweeps[0], keeper, where="here")

    first = on_lineup(sound, [], run)
    assert (first.state, first.exit_code) == (SlotState.DONE, 0), first.why
    assert verify(first.record).unchanged
    again = on_lineup(bad, [Fault(kind="dead", at="UPS-1")], run)
    assert again.state is SlotState.DONE
    assert "reach.answers@UPS-1" in {life.finding for life in again.kept.turn.opened}
    (standing,) = standings(history)
    assert (standing.site, standing.lineup, standing.place) == (SITE, LINEUP, "here")
    assert not list((fleet_folder / "records" / "incoming").iterdir())
    assert accept(history, standing.lineup_id, first.digest.code)
    against = baseline(history, standing.lineup_id)
    assert against is not None
    assert (against.code, against.accepted) == (first.digest.code, True)
    assert drift(history, standing.lineup_id, false_alarms_a_year=1).shifts == ()

    # The store is what the history can be made from again.
    place = open_fleet(fleet_folder / "fleet.yaml")
    (fleet_folder / "history.sqlite").write_bytes(b"not a database at all" * 100)
    made = rebuild(place)
    assert (made.taken, made.refused, len(made.aside)) == (2, (), 1)
    other = place.open_history()
    same = [
        [(s.started_ns, s.passes, s.fails, s.reviews, s.untested, s.code) for s in standings(one)]
        for one in (history, other)
    ]
    open_now = [
        sorted(x.finding for x in open_lives(one, standings(one)[0].lineup_id)) for one in (history, other)
    ]
    other.close()
    assert same[0] == same[1]
    assert open_now[0] == open_now[1] != []


def test_a_busy_lineup_is_not_touched(tmp_path: Path, history: History) -> None:
    def run(map_path: Path) -> Any:
        place = fleet_in(tmp_path, map_path)
        with lineup_lock(tmp_path / ".locks", SITE, LINEUP, "an audit by hand"):
            return run_sweep(place, place.fleet.sweeps[0], Keeper(history))

    outcome = on_lineup(tmp_path, [], run)
    assert outcome.state is SlotState.SKIPPED
    assert "an audit by hand" in outcome.why
    assert standings(history) == ()


def test_a_lineup_that_is_asked_by_hand_is_not_touched(tmp_path: Path, history: History) -> None:
    def run(map_path: Path) -> Any:
        place = fleet_in(tmp_path, map_path)
        lineup, _ = open_lineup(map_path)
        with at_the_gear(lineup.map, "audit"):
            return run_sweep(place, place.fleet.sweeps[0], Keeper(history))

    outcome = on_lineup(tmp_path, [], run)
    assert outcome.state is SlotState.SKIPPED
    assert f"worked on by process {os.getpid()} (audit, since " in outcome.why
    assert standings(history) == ()


def test_a_run_that_is_stopped_leaves_a_valid_record_that_says_so(tmp_path: Path, history: History) -> None:
    stop = threading.Event()

    def run(map_path: Path) -> Any:
        place = fleet_in(tmp_path, map_path)
        sweep = place.fleet.sweeps[0].model_copy(update={"quick": False, "dwell": 3600.0})
        incoming = tmp_path / "records" / "incoming"

        def begun() -> bool:
            files = list(incoming.glob("*.jsonl")) if incoming.exists() else []
            if files and b'"kind":"exchange"' in files[0].read_bytes():  # it asks devices
                stop.set()
            return stop.is_set()

        return run_sweep(place, sweep, Keeper(history), stop=begun)

    outcome = on_lineup(tmp_path, [], run)
    assert outcome.state is SlotState.STOPPED, outcome
    assert outcome.exit_code == 3
    told = verify(outcome.record)
    assert told.unchanged
    assert not told.complete
    (standing,) = standings(history)
    assert not standing.complete


def test_a_map_that_is_gone_is_booked_and_the_next_sweep_goes_on(tmp_path: Path, history: History) -> None:
    place = fleet_in(tmp_path, tmp_path / "gone.yaml")
    now = datetime(2026, 3, 1, 12, 3, tzinfo=UTC)
    heard = []
    cycle = Cycle(place, history, heard=lambda sweep, outcome: heard.append(outcome), now=lambda: now)
    assert cycle.run_due() == []  # the sweep is known from now on
    now += timedelta(minutes=8)
    ((_, outcome),) = cycle.run_due()
    assert outcome.state is SlotState.FAILED
    assert "the map cannot be used" in outcome.why
    assert heard == [outcome]
    assert cycle.run_due() == []
    now += timedelta(minutes=35)
    cycle.run_due()
    states = [
        (one.state.value, datetime.fromtimestamp(one.due_ns / 1e9, UTC).minute)
        for one in latest(history, "msb-1")
    ]
    assert states == [("failed", 40), ("missed", 30), ("missed", 20), ("failed", 10), ("known", 3)]
