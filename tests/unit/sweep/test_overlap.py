"""A run that takes longer than its interval, and one that was killed: rows R1 and R4 of the fault matrix."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from probe.history.slot_book import SlotState, latest
from probe.history.store import open_history
from probe.sweep import cycle
from probe.sweep.place import open_fleet
from probe.sweep.run import Outcome

BEGIN = datetime(2026, 11, 2, 8, 1, tzinfo=UTC)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A fleet with one lineup, swept every ten minutes."""
    file = tmp_path / "fleet.yaml"
    file.write_text(
        "format: buswitness-fleet/1\nsweeps:\n  - {name: msb-1, map: msb-1.yaml, at: '*/10 * * * *'}\n"
    )
    return file


def test_the_next_start_is_left_out_and_booked(
    tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every ten minutes; the first run does not end before the second start is due. The third start runs."""
    history = open_history(str(tmp_path / "history.sqlite"))
    now, ended, begun = [BEGIN], threading.Event(), threading.Semaphore(0)

    def long_run(*_: Any, **__: Any) -> Outcome:
        begun.release()
        assert ended.wait(600)
        return Outcome(SlotState.DONE, "")

    def states() -> list[SlotState]:
        return [booked.state for booked in latest(history, "msb-1")]

    monkeypatch.setattr(cycle, "run_sweep", long_run)
    monkeypatch.setattr(cycle, "LOOK_S", 0.0)
    turns: list[str] = []

    def next_turn() -> None:
        """Between two looks: the time goes on when what it should show is booked."""
        if not turns:
            now[0] += timedelta(minutes=11)
            turns.append("first start")
        elif turns[-1] == "first start" and begun.acquire(blocking=False):
            now[0] += timedelta(minutes=10)
            turns.append("second start")
        elif turns[-1] == "second start" and SlotState.SKIPPED in states():
            ended.set()
            turns.append("run ended")
        elif turns[-1] == "run ended" and states().count(SlotState.DONE) == 1:
            now[0] += timedelta(minutes=10)
            turns.append("third start")
        elif turns[-1] == "third start" and states().count(SlotState.DONE) == 2:
            turns.append("over")

    cycle.Cycle(
        open_fleet(file),
        history,
        heard=lambda *_: None,
        between=next_turn,
        now=lambda: now[0],
        stop=lambda: turns[-1:] == ["over"],
    ).watch()
    assert sorted(states()) == sorted([SlotState.KNOWN, SlotState.DONE, SlotState.SKIPPED, SlotState.DONE])
    history.close()


def test_a_start_that_waits_for_a_free_thread_is_not_taken_for_the_run_before(
    tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a busy computer the pool books a start late; the next look saw it due again, and left it out."""
    history = open_history(str(tmp_path / "history.sqlite"))
    now, looks, booked = [BEGIN], [0], threading.Event()
    real = cycle.slot_book.begin

    def late(*given: Any, **facts: Any) -> bool:
        assert booked.wait(600)
        return real(*given, **facts)

    def between() -> None:
        looks[0] += 1
        if looks[0] == 1:
            now[0] += timedelta(minutes=10)
        if looks[0] == 5:
            booked.set()

    monkeypatch.setattr(cycle.slot_book, "begin", late)
    monkeypatch.setattr(cycle, "run_sweep", lambda *_, **__: Outcome(SlotState.DONE, ""))
    monkeypatch.setattr(cycle, "LOOK_S", 0.0)
    watched = cycle.Cycle(
        open_fleet(file), history, between=between, now=lambda: now[0], stop=lambda: looks[0] >= 5
    )
    watched.watch()
    assert [one.state for one in latest(history, "msb-1")] == [SlotState.DONE, SlotState.KNOWN]
    history.close()


def test_a_start_whose_process_died_is_booked_so_by_the_next(
    tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """R4: a start that was begun and never ended (killed) does not stay "running" for ever."""
    history = open_history(str(tmp_path / "history.sqlite"))
    monkeypatch.setattr(cycle, "run_sweep", lambda *_, **__: Outcome(SlotState.DONE, ""))
    place = open_fleet(file)
    moments = [BEGIN, BEGIN + timedelta(minutes=10)]
    dead, alive = (cycle.Cycle(place, history, now=lambda at=at: at) for at in moments)
    monkeypatch.setattr(dead, "_book", lambda *_: None)  # killed before it could book its end
    dead.run_now(place.fleet.sweeps[0])
    assert [one.state for one in latest(history, "msb-1")] == [SlotState.RUNNING]
    alive.run_now(place.fleet.sweeps[0])
    told = {one.state: one.why for one in latest(history, "msb-1")}
    assert told == {SlotState.DONE: "", SlotState.FAILED: "its process died"}
    history.close()
