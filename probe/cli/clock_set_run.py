"""Setting clocks, from the first reading to the sealed record: measure, ask, write, measure again.

All passes stand in one record, and all verdicts rest on all of it. Ctrl-C before the writes: nothing is
written. Between the writes: the request in flight ends, no further clock is written. Afterwards: what was
written stays written, and the record says that it was not measured to the end. It is sealed on every path.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from probe.cli.audit_end import Ended, with_required
from probe.cli.audit_run import TICK_S, stops_on_signals
from probe.cli.audit_start import Start
from probe.collect.clock_setting import Now, Setting, setting_of, why_not_set
from probe.collect.events import AuditResult
from probe.collect.evidence_shelf import EvidenceShelf
from probe.model.errors import RecordError
from probe.model.evidence import JUDGED, Anchor, ClockDecision, Note

if TYPE_CHECKING:
    from probe.collect.clock_set import Writer
    from probe.judge.reference import Tie
    from probe.judge.run_context import RunContext
    from probe.present.face import Face

#: Between two connections to the same device, as in every run.
_PAUSE_S = 1.0
NOT_DONE = "stopped by the operator before it was done"


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What is proposed for one clock. reason: why it is not to be set, "" if it may be.

    reservation: what is to be known of the reference before anything is set after it, "" if nothing.
    """

    setting: Setting
    plan: str
    reason: str
    reservation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the operator said. said: as typed, or ``--yes``."""

    confirmed: bool
    said: str
    operator: str


#: Shows the proposals and asks; Ctrl-C comes through as KeyboardInterrupt.
Asker = Callable[[Sequence[Proposal]], Answer]


def conduct_setting(start: Start, ask: Asker, make_face: Callable[[], Face], settle_s: float) -> Ended:
    """Do it all; how it ended, with the record sealed."""
    conductor = _Conductor(start, ask, make_face, settle_s)
    try:
        return conductor.conduct()
    finally:
        start.writer.close()


class _Conductor:
    """State of one run that sets clocks."""

    def __init__(self, start: Start, ask: Asker, make_face: Callable[[], Face], settle_s: float) -> None:
        self._start = start
        self._ask = ask
        self._make_face = make_face
        self._settle_s = settle_s
        self._shelf = EvidenceShelf(start.writer)
        self._lineup, self._scope = start.plan.lineup, start.plan.scope
        # A pass measures; what became of the setting is judged at the end, on all of them.
        self._plan = replace(start.plan, scope=replace(self._scope, set_clocks=()), expectations=())
        self._clock = start.clock
        self._began_ns = start.clock.wall_ns()
        self._requests = 0
        self._stopped = False
        self._trouble = ""
        self._presses = 0

    def conduct(self) -> Ended:
        """See ``conduct_setting``."""
        try:
            self._all_passes()
        except RecordError as error:
            self._trouble = error.problem.what
        except KeyboardInterrupt:
            self._stopped = True
        except BaseException:
            with suppress(Exception):  # the bug is told, whatever becomes of the seal
                self._start.writer.seal(complete=False, reason="the program failed")
            raise
        return self._end()

    def _all_passes(self) -> None:
        self._start.writer.expect(self._start.plan.expectations)
        first = self._pass()
        if first is None or self._stopped:
            return
        proposals = self._proposals(first)
        wanted = [one for one in proposals if not one.reason]
        answer = self._ask(proposals) if wanted else Answer(confirmed=False, said="", operator="")
        for one in proposals:
            if one.reason:
                self._decide(one, answer, "refused")
            elif not answer.confirmed:
                self._decide(one, answer, "declined")
        if not answer.confirmed or not self._run(self._write_all(wanted, answer)):
            return
        self._measure_again()

    def _measure_again(self) -> None:
        """The clocks after the writes, and once more after a while if that was asked for."""
        self._pass()
        if self._settle_s and not self._stopped:
            self._run(self._wait(self._settle_s))
            if not self._stopped:
                self._pass()

    # --- passes ------------------------------------------------------------------------------------------

    def _pass(self) -> AuditResult | None:
        """Measure the clocks once; None if it was cut off."""
        from probe.collect.agent import audit

        face = self._make_face()
        try:
            result: AuditResult | None = self._run(
                lambda stop: audit(
                    self._plan, ledger=self._shelf, observers=(face,), clock=self._clock, stop=stop
                ),
                face,
            )
        finally:
            face.close()
        if result is not None:
            self._requests += result.requests
            if result.why_incomplete.startswith("the record"):
                self._trouble = result.why_incomplete
        self._stopped = self._stopped or result is None or not result.complete
        return result

    def _run(self, work: Callable[[asyncio.Event], Any], face: Face | None = None) -> Any:
        """The work's result on an event loop of its own, while signals reach it; None if it was cut off."""
        from probe.collect import loop

        stage = _Stage(work, face, self._clock)
        with stops_on_signals(stage.press):
            result = loop.run(stage.play())
        self._stopped = self._stopped or stage.presses > 0
        return result

    async def _pause(self, stop: asyncio.Event, seconds: float) -> None:
        with suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), seconds)

    def _wait(self, seconds: float) -> Callable[[asyncio.Event], Any]:
        return lambda stop: self._pause(stop, seconds)

    # --- what is proposed --------------------------------------------------------------------------------

    def _context(self) -> RunContext:
        from probe.judge.run_context import RunContext

        return RunContext(self._lineup, self._shelf.of_run(self._scope))

    def _proposals(self, first: AuditResult) -> list[Proposal]:
        """What is proposed for each clock, as it stands after the first pass."""
        from probe.judge.reference import plain

        states = {one.tag: one.state for one in first.clocks}
        context = self._context()
        doubts = [one for one in context.reference.candidates if one.caveat]
        reservation = "; ".join(f"reference {plain(one.name)}: {one.caveat}" for one in doubts)
        made = []
        for tag in self._scope.set_clocks:
            setting = setting_of(self._lineup, tag, _offset_words(states.get(tag)))
            assert setting is not None  # the command has made sure
            findings = [finding for finding in first.findings if finding.subject == tag]
            reason = (
                "this computer's clock was stepped meanwhile"
                if context.step_s
                else why_not_set(setting, states.get(tag), findings, context.reference, self._now())
            )
            target = self._lineup.map.target(tag)
            place = f"{tag} ({target.link}, unit {target.unit})"
            plan = setting.words(self._now().wall_s, place)
            made.append(Proposal(setting=setting, plan=plan, reason=reason, reservation=reservation))
        return made

    def _now(self) -> Now:
        return Now(self._clock.now_ns(), self._clock.wall_ns() / 1e9)

    def _decide(self, one: Proposal, answer: Answer, decision: str, reason: str = "") -> None:
        self._shelf.keep(
            ClockDecision(
                tag=one.setting.tag,
                at_ns=self._clock.now_ns(),
                decision=decision,
                operator=answer.operator,
                said=answer.said,
                reason=reason or one.reason,
                plan=one.plan,
            )
        )

    # --- writing -----------------------------------------------------------------------------------------

    def _write_all(self, proposals: Sequence[Proposal], answer: Answer) -> Callable[[asyncio.Event], Any]:
        """Writes one clock after the other; True if anything was written."""

        async def work(stop: asyncio.Event) -> bool:
            written = False
            await self._pause(stop, _PAUSE_S)
            for one in proposals:
                if stop.is_set():
                    break
                self._decide(one, answer, "set")
                written = await self._writer(one).write() or written
                await self._pause(stop, _PAUSE_S)
            return written

        return work

    def _writer(self, one: Proposal) -> Writer:
        from probe.collect.clock_set import Writer
        from probe.collect.device_plan import PlanBook
        from probe.judge.reference import Tie

        tag = one.setting.tag
        device, target = self._lineup.map.by_tag[tag], self._lineup.map.target(tag)
        profile = self._lineup.profile_of(device)
        plan = PlanBook(file="map").plan_for(device, profile, target)
        tie: Tie = Tie.of(self._shelf.all(Anchor)[0][1])
        return Writer(
            setting=one.setting,
            target=target,
            step=plan.clock[0],
            limits=profile.limits,
            quirks=profile.quirks,
            reference=self._context().reference,
            tie=tie,
            clock=self._clock,
            keep=self._shelf.keep,
        )

    # --- the end -----------------------------------------------------------------------------------------

    def _end(self) -> Ended:
        """Judge everything, write the verdicts, seal."""
        result: AuditResult | None = None
        try:
            result = self._judged()
        except RecordError as error:
            self._trouble = self._trouble or error.problem.what
        if result is not None and result.complete:
            result = with_required(result, self._start.plan.expectations)
        ended = Ended(result=result, interrupted=self._stopped, trouble=self._trouble)
        complete = result is not None and result.complete and not self._stopped and not self._trouble
        reason = "" if complete else self._trouble or (result.why_incomplete if result else "") or NOT_DONE
        try:
            seal = self._start.writer.seal(complete=complete, reason=reason)
        except RecordError as error:
            return replace(ended, trouble=self._trouble or error.problem.what)
        return replace(ended, code=seal.code)

    def _judged(self) -> AuditResult:
        from probe.judge import conclude, judge_device

        if not self._stopped:
            for tag in self._scope.tags:
                self._start.writer.keep(Note(self._clock.now_ns(), JUDGED, tag))
        run = self._shelf.of_run(self._scope)
        judgements: Mapping[str, Any] = {
            tag: judge_device(
                self._lineup,
                self._scope,
                self._shelf.of_device(self._lineup, tag, interrupted=self._stopped),
                run,
            )
            for tag in self._scope.tags
        }
        conclusion = conclude(self._lineup, self._scope, judgements, run)
        self._start.writer.conclude(conclusion.findings, conclusion.causes)
        return AuditResult(
            lineup=self._lineup,
            scope=self._scope,
            started_wall_ns=self._began_ns,
            finished_wall_ns=self._clock.wall_ns(),
            complete=not self._stopped,
            why_incomplete=NOT_DONE if self._stopped else "",
            findings=conclusion.findings,
            causes=conclusion.causes,
            requests=self._requests,
            clocks=conclusion.clocks,
        )


class _Stage:
    """One piece of work on one event loop, with what interrupts need to reach it."""

    def __init__(self, work: Callable[[asyncio.Event], Any], face: Face | None, clock: Any) -> None:
        self.presses = 0
        self._work = work
        self._face = face
        self._clock = clock
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._task: asyncio.Task[Any] | None = None

    async def play(self) -> Any:
        """The work's result; None if it was cut off."""
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        self._task = asyncio.ensure_future(self._work(self._stop))
        ticks = asyncio.ensure_future(self._redraw())
        try:
            return await self._task
        except asyncio.CancelledError:
            return None
        finally:
            ticks.cancel()
            await asyncio.gather(ticks, return_exceptions=True)

    def press(self) -> None:
        """One more wish to stop; called from a signal handler."""
        self.presses += 1
        if self._loop is None:
            raise KeyboardInterrupt
        self._loop.call_soon_threadsafe(self._end, self.presses)

    def _end(self, presses: int) -> None:
        if self._stop is not None:
            self._stop.set()
        if presses == 1 and self._face is not None:
            self._face.stopping()
        if presses > 1 and self._task is not None:
            self._task.cancel()

    async def _redraw(self) -> None:
        while self._face is not None:
            began_ns = self._clock.now_ns()
            self._face.tick(began_ns / 1e9)
            await asyncio.sleep(max(TICK_S, 50 * (self._clock.now_ns() - began_ns) / 1e9))


def _offset_words(state: Any) -> str:
    """How a clock stands now."""
    if state is None:
        return "could not be read"
    if state.offset_s is None:
        return state.behaviour.value if state.readings else "shows no possible date"
    return f"{state.offset_s.middle:+.3f} ± {state.offset_s.half_width:.3f} s"
