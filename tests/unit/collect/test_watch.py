"""The watch over the run itself: stalls and steps, as notes."""

from __future__ import annotations

import asyncio
import time
from typing import Any

from probe.collect.loop import allow_many_files, run, seldom_collecting
from probe.model.evidence import Note


def test_a_stalled_event_loop_is_noted(world: Any, kit: Any) -> None:
    def stall(stop: asyncio.Event, clock: Any) -> None:
        loop = asyncio.get_running_loop()

        def hold_up() -> None:
            loop.now_s += 4.0  # type: ignore[attr-defined]  # as if a virus scanner had held us for 4 s

        loop.call_later(0.2, hold_up)

    world.on_start = stall
    lineup = kit.lineup_of(
        [{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [kit.profile_of(kit.point("a", 0))]
    )
    world.audit(lineup, dwell_s=6.0)
    notes = [note for note in world.ledger.of(Note) if note.topic == "stalled"]
    assert len(notes) == 1
    assert "held up" in notes[0].text


def test_a_calm_run_has_no_notes(world: Any, kit: Any) -> None:
    lineup = kit.lineup_of(
        [{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [kit.profile_of(kit.point("a", 0))]
    )
    world.audit(lineup, dwell_s=20.0)
    assert world.ledger.of(Note) == []


def test_run_gives_the_result_and_restores_the_collector() -> None:
    import gc

    before = gc.get_threshold()

    async def main() -> tuple[float, tuple[int, int, int]]:
        await asyncio.sleep(0)
        return time.monotonic(), gc.get_threshold()

    at, within = run(main())
    assert at > 0
    assert within != before
    assert gc.get_threshold() == before
    with seldom_collecting():
        assert gc.get_threshold() != before


def test_the_limit_of_open_files_never_falls() -> None:
    first = allow_many_files()
    assert allow_many_files() == first


def test_a_busy_computer_says_how_late_it_looked(world: Any, kit: Any) -> None:
    def hold_up(stop: asyncio.Event, clock: Any) -> None:
        loop = asyncio.get_running_loop()

        def a_little() -> None:
            loop.now_s += 0.6  # type: ignore[attr-defined]  # over the next look by 0.3 s

        loop.call_later(0.2, a_little)

    world.on_start = hold_up
    lineup = kit.lineup_of(
        [{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [kit.profile_of(kit.point("a", 0))]
    )
    world.audit(lineup, dwell_s=6.0)
    notes = world.ledger.of(Note)
    assert [note.topic for note in notes] == ["stalled", "own delay"]
    assert "0.30 s" in notes[1].text
    assert 0.5e9 < notes[0].at_ns - notes[0].since_ns <= 0.6e9
