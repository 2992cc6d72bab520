"""The run itself: event loop, interrupts, live face, and the end of the record whatever happens.

First Ctrl-C (or SIGTERM, SIGHUP): the run finishes the open requests, closes its connections and seals
the record as incomplete. Second: the run is cut off, the record is still sealed. The terminal is given
back whole on every path.
"""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from types import FrameType
from typing import TYPE_CHECKING

from probe.cli.audit_end import Ended, with_required
from probe.cli.audit_start import Start
from probe.collect.events import AuditResult
from probe.model.errors import RecordError

if TYPE_CHECKING:
    from probe.collect.run import Around
    from probe.present.face import Face

TICK_S = 0.25


def conduct(start: Start, face: Face | None = None, around: Around | None = None) -> Ended:
    """Run the audit to its end, good or bad, and seal the record; how it ended.

    face: shows it while it goes; that of an audit if None. around: what else is done meanwhile (a survey).
    """
    face = face or _face(as_json=start.as_json)
    try:
        ended = _run(_Conductor(start, face, around))
    finally:
        face.close()
        start.writer.close()
    return ended


class _Conductor:
    """One run on one event loop, with what interrupts need to reach it."""

    def __init__(self, start: Start, face: Face, around: Around | None = None) -> None:
        self.start = start
        self._around = around
        self.face = face
        self.stop = asyncio.Event()
        self.presses = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[AuditResult] | None = None

    async def run(self) -> Ended:
        """The audit with its face redrawn beside it; how it ended, with the record sealed."""
        from probe.collect.agent import audit
        from probe.record.marks import Marks

        start = self.start
        self._loop = asyncio.get_running_loop()
        observers = (Marks(start.writer, start.clock), self.face)
        self._task = asyncio.create_task(
            audit(
                start.plan,
                ledger=start.writer,
                observers=observers,
                clock=start.clock,
                stop=self.stop,
                around=self._around,
            )
        )
        ticks = asyncio.create_task(self._redraw())
        try:
            result, trouble = await self._outcome(self._task)
        except BaseException:
            self._seal_after_bug()
            raise
        finally:
            ticks.cancel()
            with suppress(asyncio.CancelledError):
                await ticks
        interrupted = result is None or not result.complete
        if result is not None and not interrupted:
            result = with_required(result, start.plan.expectations)
        return self._sealed(Ended(result=result, interrupted=interrupted, trouble=trouble))

    def press(self) -> None:
        """One more wish to stop; called from a signal handler."""
        self.presses += 1
        if self._loop is None:
            raise KeyboardInterrupt
        self._loop.call_soon_threadsafe(self._stop if self.presses == 1 else self._cut_off)

    def _stop(self) -> None:
        self.stop.set()
        self.face.stopping()

    def _cut_off(self) -> None:
        if self._task is not None:
            self._task.cancel()

    async def _outcome(self, task: asyncio.Task[AuditResult]) -> tuple[AuditResult | None, str]:
        """The result and why the record is not whole; no result when the run was cut off."""
        try:
            return await task, ""
        except RecordError as error:
            return None, error.problem.what
        except asyncio.CancelledError:
            return None, ""

    async def _redraw(self) -> None:
        """Let the face redraw itself, calmly, until cancelled."""
        clock = self.start.clock
        while True:
            began_ns = clock.now_ns()
            self.face.tick(began_ns / 1e9)
            # Drawing shares the loop that measures reply times: it may take one part in fifty of it.
            await asyncio.sleep(max(TICK_S, 50 * (clock.now_ns() - began_ns) / 1e9))

    def _seal_after_bug(self) -> None:
        """Close the record in good order when the program itself has failed; its text says so."""
        with suppress(Exception):  # the bug is told, whatever becomes of the seal
            self.start.writer.seal(complete=False, reason="the program failed")

    def _sealed(self, ended: Ended) -> Ended:
        """The same end with the record sealed; what went wrong with the seal is told in ``trouble``."""
        result = ended.result
        complete = result is not None and result.complete and not ended.interrupted and not ended.trouble
        reason = "" if complete else _reason(ended)
        try:
            seal = self.start.writer.seal(complete=complete, reason=reason)
        except RecordError as error:
            return replace(ended, trouble=ended.trouble or error.problem.what)
        return replace(ended, code=seal.code)


def _reason(ended: Ended) -> str:
    """Why the record is sealed as incomplete."""
    if ended.trouble:
        return ended.trouble
    if ended.result is None:
        return "cut off by the operator"
    return ended.result.why_incomplete or "stopped by the operator"


def _run(conductor: _Conductor) -> Ended:
    """Run the conductor's audit while signals reach it."""
    from probe.collect import loop

    with stops_on_signals(conductor.press):
        return loop.run(conductor.run())


@contextmanager
def stops_on_signals(press: Callable[[], None]) -> Iterator[None]:
    """While inside, wishes to stop reach ``press``; afterwards the handlers are what they were."""

    def handle(_number: int, _frame: FrameType | None) -> None:
        press()

    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {number: signal.signal(number, handle) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _face(*, as_json: bool) -> Face:
    """The live picture on a terminal that can carry it, plain lines elsewhere."""
    from probe.present.console import console, is_live
    from probe.present.face import Face

    stream = sys.stderr if as_json else sys.stdout
    return Face(console(stream), live=is_live(stream))
