"""The practice lineup, its scripted operator, and a person at the keys who is scripted too."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from probe.cli.witness_command import Choice, scope_of
from probe.cli.witness_run import Stand, WitnessRun
from probe.collect.inputs import open_lineup
from probe.judge import expected
from probe.judge.witness.plan import Item
from probe.model.lineup import Lineup
from probe.model.procedure_load import load_procedure, source_of
from probe.practice.crew import Mood, Operator
from probe.practice.fault import Fault
from probe.practice.hand import Hand
from probe.practice.lineup import PracticeLineup, practice
from probe.practice.scenario import small_scenario
from probe.present.keys import ENTER
from probe.present.witness.view import Stage, View
from probe.record.header import Header
from probe.record.writer import RecordWriter
from probe.wire.system_clock import SystemClock

#: How long the person at the keys waits after the act, so that everything can be seen.
AFTER_S = 1.2


@dataclass
class Person:
    """Presses the key that the screen asks for; after the go waits until the operator has acted.

    script: keys for a stage, used up one after the other, before the usual one.
    """

    clock: SystemClock
    script: dict[Stage, list[str]] = field(default_factory=dict)
    stage: Stage | None = None
    views: list[View] = field(default_factory=list)
    acted_ns: int | None = None
    wait_s: float = AFTER_S

    def show(self, view: View) -> None:
        self.views.append(view)
        self.stage = view.stage

    def key(self) -> str | None:
        if self.stage is None:
            return None
        waiting = self.script.get(self.stage)
        if self.stage in (Stage.GO, Stage.SEEN) and not self._has_seen():
            return None
        if waiting:
            return waiting.pop(0)
        usual = {Stage.CAUTION: "a", Stage.CONFIRM: "y", Stage.END: "e", Stage.TYPE: ENTER}
        return usual.get(self.stage, " ")

    def _has_seen(self) -> bool:
        return self.acted_ns is not None and self.clock.now_ns() - self.acted_ns > self.wait_s * 1e9


@dataclass
class Rig:
    """A lineup that is up, and everything to be witnessed in it."""

    practice: PracticeLineup
    lineup: Lineup
    folder: Path
    person: Person | None = None
    writers: list[RecordWriter] = field(default_factory=list)

    def hand(self) -> Hand:
        one = self.practice
        return Hand(stage=one.stage, plant=one.plant, hosts=one.hosts, now=one.now)

    def stand(self, text: str, *only: str, values: tuple[str, ...] = ()) -> Stand:
        """A new run of the procedure in this text."""
        procedure = load_procedure("trial.yaml", text)
        lineup = replace(self.lineup, sheet_texts=(source_of("trial.yaml", text.encode()),))
        scope = scope_of(lineup, [procedure], Choice(only=only, values=values))
        clock = SystemClock()
        path = self.folder / "trial.audit.jsonl"
        header = Header.of(lineup, scope, tool_version="0", started_wall_ns=clock.wall_ns())
        writer = RecordWriter.create(path, header)
        self.writers.append(writer)
        expectations = expected(lineup, scope)
        writer.expect(expectations)
        return Stand(
            lineup=lineup, scope=scope, path=path, writer=writer, clock=clock, expectations=expectations,
            started_wall_ns=clock.wall_ns(),
        )  # fmt: skip

    async def lead(
        self,
        stand: Stand,
        mood: Mood,
        script: dict[Stage, list[str]] | None = None,
        *,
        wait_s: float = AFTER_S,
        read_s: float = 0.0,
    ) -> tuple[WitnessRun, bool]:
        """Go through the run; the operator acts in this mood the first time, right afterwards."""
        operator = Operator(self.hand(), mood, pause_s=0.3, late_s=3.0)
        assert isinstance(stand.clock, SystemClock)
        person = self.person = Person(stand.clock, script or {}, wait_s=wait_s)
        tasks: set[asyncio.Task[None]] = set()

        async def act(item: Item, round_: int) -> None:
            operator.mood = mood if round_ == 1 else Mood.RIGHT
            await operator.act(item.step.act, item.about)
            person.acted_ns = person.clock.now_ns()

        def on_go(item: Item, round_: int) -> None:
            person.acted_ns = None
            tasks.add(asyncio.ensure_future(act(item, round_)))

        run = WitnessRun(stand, "AB", on_go, read_s=read_s)
        done = await asyncio.wait_for(run.play(person.key, person.show), 60)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        return run, done


Opens = Callable[..., AbstractAsyncContextManager[Rig]]


@pytest.fixture
def rig(tmp_path: Path) -> Opens:
    """Opens a rig of some tags."""

    @asynccontextmanager
    async def opened(*tags: str, faults: Sequence[Fault] = ()) -> AsyncIterator[Rig]:
        async with practice(small_scenario(tags, faults), directory=tmp_path) as up:
            lineup, _ = open_lineup(up.map_path)
            made = Rig(up, lineup, tmp_path)
            try:
                yield made
            finally:
                for writer in made.writers:
                    writer.close()

    return opened
