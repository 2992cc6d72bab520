"""A witness run: record, polls, session, verdicts; begun from a map or gone on with from an open record.

The record is closed only when the people end the run. When they leave (also by Ctrl-C, or because the
terminal went away), it stays open and valid, and can be gone on with.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from probe.cli.audit_end import Ended, with_required
from probe.cli.audit_run import stops_on_signals
from probe.collect.events import AuditResult
from probe.collect.evidence_shelf import EvidenceShelf
from probe.judge.witness.plan import Item, WitnessPlan
from probe.judge.witness.watch import Watch
from probe.model.errors import RecordError
from probe.model.evidence import JUDGED, Anchor, Evidence, Exchange, Note, OperatorAnswer
from probe.model.lineup import Lineup
from probe.model.scope import Scope

if TYPE_CHECKING:
    from probe.model.clock import RunClock
    from probe.model.finding import Expectation
    from probe.present.witness.view import View
    from probe.record.writer import RecordWriter

OnGo = Callable[[Item, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """What a run stands on. pieces: evidence of a record that is gone on with. dropped: half a line of it."""

    lineup: Lineup
    scope: Scope
    path: Path
    writer: RecordWriter
    clock: RunClock
    expectations: tuple[Expectation, ...]
    started_wall_ns: int
    pieces: tuple[tuple[int, Evidence], ...] = ()
    dropped: bytes = b""
    as_json: bool = False
    practice: bool = False


class ShiftedClock:
    """The clock of a run that is gone on with: its time runs on from where it stopped, by the wall clock."""

    def __init__(self, clock: RunClock, shift_ns: int) -> None:
        self._clock, self._shift_ns = clock, shift_ns

    def now_ns(self) -> int:
        """Nanoseconds of the run."""
        return self._clock.now_ns() + self._shift_ns

    def wall_ns(self) -> int:
        """Unix nanoseconds of the wall clock."""
        return self._clock.wall_ns()


class _Tap:
    """A ledger that shows every piece to the watch as it is kept."""

    def __init__(self, shelf: EvidenceShelf, watch: Watch) -> None:
        self._shelf, self._watch = shelf, watch

    def keep(self, evidence: Evidence) -> int:
        """Keep it; its number."""
        number = self._shelf.keep(evidence)
        self._watch.take(number, evidence)
        return number

    def expect(self, expectations: Any) -> None:
        """Nothing: written by whoever leads the run."""

    def conclude(self, findings: Any, causes: Any) -> None:
        """Nothing: what is concluded is written at the end."""

    def flush(self) -> None:
        """Hand all lines so far to the operating system."""
        self._shelf.flush()


class WitnessRun:
    """One sitting of a witness run."""

    def __init__(
        self,
        stand: Stand,
        initials: str,
        on_go: OnGo = lambda item, round_: None,
        read_s: float | None = None,
    ) -> None:
        """read_s: how long a caution stands before it can be acknowledged; the usual time if None."""
        self._stand = stand
        self._initials = initials
        self._on_go = on_go
        self._read_s = read_s
        self._shelf = EvidenceShelf(stand.writer)
        self.watch = Watch(WitnessPlan(stand.lineup, stand.scope))
        self._tap = _Tap(self._shelf, self.watch)
        self._stop: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._trouble = ""
        for number, piece in stand.pieces:
            self._shelf.adopt(number, piece)
            self.watch.take(number, piece)

    # -- sitting -------------------------------------------------------------------------------------------

    def sit(self) -> Ended | None:
        """Lead through the steps; how it ended, or None if the people left and the record is open."""
        from probe.collect import loop

        try:
            with stops_on_signals(self._press):
                done = loop.run(self._play())
        except RecordError as error:
            self._trouble = error.problem.what
            return self._closed(complete=False)
        return self._closed(complete=True) if done else None

    def close_open(self) -> Ended:
        """Judge and close a record that is gone on with, as it stands."""
        return self._closed(complete=True)

    async def _play(self) -> bool:
        """Lead through the steps with this terminal."""
        from probe.present.console import console, is_live
        from probe.present.keys import keyboard
        from probe.present.witness.panel import Panel

        stand = self._stand
        stream = sys.stderr if stand.as_json else sys.stdout
        with keyboard() as keys:
            panel = Panel(console(stream), keys, stand.clock, live=is_live(stream) and sys.stdin.isatty())
            panel.open()
            try:
                return await self.play(panel.poll, panel.show)
            finally:
                panel.close()

    async def play(self, key: Callable[[], str | None], show: Callable[[View], None]) -> bool:
        """Lead through the steps; True if they were ended, False if the people left.

        key: the next key that was pressed, None for none. show: takes what is to be seen.
        """
        from probe.cli.witness_session import Session
        from probe.cli.witness_talk import READ_S, Tools
        from probe.collect.witness_poll import WitnessPoll
        from probe.wire.connect import link_to

        stand = self._stand
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        self._anchor()
        if stand.dropped:
            text = f"half a line was taken off the end of the record: {stand.dropped[:2000].hex()}"
            self._tap.keep(Note(stand.clock.now_ns(), "resumed", text))
        tools = Tools(
            watch=self.watch,
            poll=WitnessPoll(self.watch.plan, self._tap, stand.clock, link_to),
            clock=stand.clock,
            keep=self._said,
            show=show,
            key=key,
            stop=self._stop,
            on_go=self._on_go,
            read_s=READ_S if self._read_s is None else self._read_s,
        )
        try:
            return await Session(tools, self._initials).play()
        finally:
            with suppress(RecordError):
                self._anchor()
                self._tap.flush()

    def _said(self, answer: OperatorAnswer) -> None:
        """Keep an answer, and have it on disk at once: after a crash the work goes on from it."""
        self._tap.keep(answer)
        self._tap.flush()

    def _anchor(self) -> None:
        from probe.model.clock import paired

        self._tap.keep(Anchor(*paired(self._stand.clock)))

    def _press(self) -> None:
        if self._loop is None or self._stop is None:
            raise KeyboardInterrupt
        self._loop.call_soon_threadsafe(self._stop.set)

    # -- the end -------------------------------------------------------------------------------------------

    def _closed(self, *, complete: bool) -> Ended:
        """Judge, write the verdicts, close the record."""
        result = None
        try:
            result = with_required(self._judged(), self._stand.expectations)
        except RecordError as error:
            self._trouble = self._trouble or error.problem.what
        complete = complete and result is not None and result.complete and not self._trouble
        reason = "" if complete else self._trouble or (result.why_incomplete if result else "") or "not done"
        ended = Ended(result=result, interrupted=False, trouble=self._trouble)
        try:
            seal = self._stand.writer.seal(complete=complete, reason=reason)
        except RecordError as error:
            return replace(ended, trouble=self._trouble or error.problem.what)
        return replace(ended, code=seal.code)

    def _judged(self) -> AuditResult:
        from probe.judge import conclude, judge_device

        stand = self._stand
        for tag in stand.scope.tags:
            self._shelf.keep(Note(stand.clock.now_ns(), JUDGED, tag))
        run = self._shelf.of_run(stand.scope)
        judgements = {
            tag: judge_device(
                stand.lineup, stand.scope, self._shelf.of_device(stand.lineup, tag, interrupted=False), run
            )
            for tag in stand.scope.tags
        }
        conclusion = conclude(stand.lineup, stand.scope, judgements, run)
        stand.writer.conclude(conclusion.findings, conclusion.causes)
        return AuditResult(
            lineup=stand.lineup,
            scope=stand.scope,
            started_wall_ns=stand.started_wall_ns,
            finished_wall_ns=stand.clock.wall_ns(),
            complete=True,
            why_incomplete="",
            findings=conclusion.findings,
            causes=conclusion.causes,
            requests=len(self._shelf.all(Exchange)),
            clocks=conclusion.clocks,
        )


def pieces_of(evidence: dict[type, tuple[tuple[int, Any], ...]]) -> tuple[tuple[int, Evidence], ...]:
    """All evidence of a record in the order of its numbers."""
    items: Iterable[tuple[int, Evidence]] = (item for group in evidence.values() for item in group)
    return tuple(sorted(items, key=lambda item: item[0]))
