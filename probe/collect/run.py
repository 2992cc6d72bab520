"""One run: its hosts, its journal and its verdicts, from start to finish.

``agent`` is the public face; here stands what happens in which order, and how a run ends early.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, nullcontext, suppress
from dataclasses import dataclass, replace
from itertools import groupby
from operator import itemgetter
from typing import Any, NamedTuple

from probe.collect.board import BoardWatch
from probe.collect.clock_talk import ClockCourse, ClockTalk
from probe.collect.conversation import Conversation
from probe.collect.events import AuditResult, Ledger, Observer, Phase, RunPlan
from probe.collect.guest import Guest, Manner
from probe.collect.host import Host
from probe.collect.journal import Journal, LedgerBroken, LinkLog, Shelf
from probe.collect.judging import Judge, Judgement
from probe.collect.lanes import Lanes
from probe.collect.pacing import Pacing, RequestBudget
from probe.collect.reference_talk import ReferenceTalk, sync_steps
from probe.collect.roster import Berth, berths_by_link, network_of, reference_berths
from probe.collect.surroundings import Senses, Surroundings
from probe.collect.turn import Script
from probe.collect.watch import Watch
from probe.judge.clock_state import ClockVerdict
from probe.judge.clock_view import clock_terms
from probe.judge.run_context import RunContext
from probe.model.block import block_decoder
from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.errors import RecordError
from probe.model.evidence import Purpose
from probe.model.finding import Cause, Finding
from probe.model.profile import Limits
from probe.wire.link import Link, StrayHandler

INTERRUPTED = "interrupted"
#: First pause before it is looked whether answers have come; each is longer than the one before. With pauses
#: so long (0.15 s in all) nothing is to be waited for.
_FIRST_ANSWERS_S, _NO_ANSWERS_S = 0.002, 0.05
STOPPED_BY_USER = "the run was stopped before it was done"


#: What is done around the asking of devices: begun before the first of them, ended after the last.
Around = Callable[[Journal], AbstractAsyncContextManager[object]]
LinkFactory = Callable[[Target, RunClock, StrayHandler], Link]
Seats = tuple[Host, list[Guest]]


_subject_of: Callable[[Finding], str] = itemgetter(1)


class Tools(NamedTuple):
    """What a run works with; each can be another one in a test."""

    ledger: Ledger
    observers: Sequence[Observer]
    clock: RunClock
    link_factory: LinkFactory
    judge: Judge
    pacing: Pacing
    senses: Senses
    around: Around | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared(RunPlan):
    """A run plan with what was worked out for it, so that it is not worked out twice."""

    berths: Mapping[str, list[Berth]]


class _Seated(NamedTuple):
    """A reference of the lineup on its link."""

    host: Host
    berth: Berth
    talk: ReferenceTalk


class Run:
    """State of one run; made for each, used once."""

    def __init__(self, plan: RunPlan, tools: Tools) -> None:
        self._plan = plan
        self._ledger = tools.ledger
        self._clock = tools.clock
        self._link_factory = tools.link_factory
        self._judge = tools.judge
        self._pacing = tools.pacing
        self._around = tools.around
        self._journal = Journal(tools.ledger, tools.observers, tools.clock)
        self._journal.surveys = plan.scope.survey is not None
        self._berths = plan.berths if isinstance(plan, Prepared) else berths_by_link(plan.lineup, plan.scope)
        self._by_tag = {berth.device.tag: berth for group in self._berths.values() for berth in group}
        clocks = any(berth.plan.clock for berth in self._by_tag.values())
        references = plan.lineup.map.clock.references if clocks else ()
        self._surroundings = Surroundings(self._journal, tools.senses, references)
        self._surroundings.on_referenced = self._referenced
        self._references_due = 1 + sum(name.kind == "tag" for name in references) if references else 0
        self._late: list[str] = []  # done, with a clock that waits for the reference's first reading
        self._budgets: dict[str, RequestBudget] = {}
        self._manners: dict[tuple[frozenset[int], int], Manner] = {}
        self._judgements: dict[str, Judgement] = {}
        self._hosts: list[Host] = []
        self._lanes = Lanes()
        self._context: RunContext | None = None
        self._clocks: tuple[ClockVerdict, ...] = ()
        self._why = ""
        self._halted = asyncio.Event()
        self._board = BoardWatch(plan.lineup, plan.scope, self._journal, self._halt)

    async def carry_out(self, stop: asyncio.Event) -> AuditResult:
        """See ``agent.audit``."""
        started_ns = self._clock.wall_ns()
        self._journal.tell("run_started", self._plan)
        try:
            self._ledger.expect(self._plan.expectations)
            self._journal.anchor()
            await self._collect(stop)
            self._journal.anchor()
        except (LedgerBroken, RecordError, OSError) as error:
            self._why = f"the record could not be kept: {error}"
        findings, causes = self._conclude()
        result = AuditResult(
            lineup=self._plan.lineup,
            scope=self._plan.scope,
            started_wall_ns=started_ns,
            finished_wall_ns=self._clock.wall_ns(),
            complete=not self._why,
            why_incomplete=self._why,
            findings=findings,
            causes=causes,
            requests=self._journal.requests,
            clocks=self._clocks,
            network=self._journal.run_evidence().network,
        )
        self._journal.tell("run_finished", result)
        return result

    # collecting --------------------------------------------------------------------------------------

    async def _collect(self, stop: asyncio.Event) -> None:
        """Ask everything, or as much as there is time for until ``stop``."""
        broken = asyncio.Event()
        self._journal.on_broken = broken.set
        work = asyncio.ensure_future(self._work())
        watch = Watch(self._journal, self._clock)
        waits = (stop, broken, self._halted)
        guards: list[Coroutine[Any, Any, object]] = [*(one.wait() for one in waits), watch.run()]
        others = [asyncio.ensure_future(guard) for guard in guards]
        try:
            await asyncio.wait({work, *others}, return_when=asyncio.FIRST_COMPLETED)
            if not work.done():
                await self._end_early(work, stopped=stop.is_set())
        finally:
            clearing = asyncio.ensure_future(self._clear_away((*others, work)))
            try:
                results = await asyncio.shield(clearing)
            except asyncio.CancelledError:  # cut off while it was ending: nothing may be left behind
                await asyncio.wait({clearing})
                raise
        _raise_first(results)
        if self._journal.broken is not None:  # it broke where nobody could raise: in a callback
            raise LedgerBroken(str(self._journal.broken)) from self._journal.broken
        watch.close()

    async def _clear_away(self, tasks: Sequence[asyncio.Future[Any]]) -> list[Any]:
        """End all that still runs and close every link; what the tasks returned or raised."""
        for task in tasks:
            task.cancel()
        results = await asyncio.gather(*tasks, return_exceptions=True)
        await self._surroundings.close()
        for host in self._hosts:  # one whose link is kept for a second reading may be open still
            with suppress(LedgerBroken):  # said below
                await host.close()
        return results

    async def _end_early(self, work: asyncio.Future[None], *, stopped: bool) -> None:
        """Let the requests in flight end, for a moment; then whatever still waits is cancelled."""
        if stopped:
            self._why = STOPPED_BY_USER
            self._journal.note(INTERRUPTED, STOPPED_BY_USER)
        for host in self._hosts:
            host.stop()
        gently = stopped or self._halted.is_set()
        await asyncio.wait({work}, timeout=self._pacing.grace_s if gently else 0)

    def _halt(self, why: str) -> None:
        """End the run: going on would be of no use."""
        self._why = why
        self._halted.set()

    async def _work(self) -> None:
        """All links at the same time; the reference clock of a tag is read before and after."""
        seats = {link: self._seats_of(group) for link, group in self._berths.items()}
        references = self._seat_references(seats)
        async with self._around(self._journal) if self._around else nullcontext():
            self._surroundings.start(berth for group in self._berths.values() for berth in group)
            async with asyncio.TaskGroup() as tasks:
                for host, guests in seats.values():
                    tasks.create_task(host.serve(guests))
                tasks.create_task(self._make_decoders())
        await self._surroundings.first()
        self._judge_late()
        await self._read_references_again(references)
        await self._surroundings.finish()

    async def _make_decoders(self) -> None:
        """Make what judging needs for each sort of reply, between the first answers.

        Not before: it takes as long as asking dozens of devices, and the last one asked ends the run.
        """
        pause_s = _FIRST_ANSWERS_S
        while not self._journal.requests and pause_s < _NO_ANSWERS_S:
            await asyncio.sleep(pause_s)
            pause_s *= 1.5
        plans = {id(berth.plan): berth.plan for berth in self._by_tag.values()}
        for plan in plans.values():
            for _, read, _ in plan.poll:
                block_decoder(plan.profile, read.area, read.start, read.quantity)
                await asyncio.sleep(0)

    # reference clocks in the lineup ------------------------------------------------------------------

    def _seat_references(self, seats: dict[str, Seats]) -> list[_Seated]:
        """Have the reference clocks read first on their links, and keep those open for the end."""
        seated = []
        for berth in reference_berths(self._plan.lineup, self._plan.scope):
            if berth.target.link not in seats:
                seats[berth.target.link] = self._host_for([berth]), []
            host, guests = seats[berth.target.link]
            host.keep_open = True
            talk = self._reference_talk(berth)
            guests.insert(0, self._reference_guest(host, berth, talk.script()))
            seated.append(_Seated(host, berth, talk))
        return seated

    async def _read_references_again(self, seated: Sequence[_Seated]) -> None:
        """Read each reference that answered before once more when all is done; close their links."""
        by_host: dict[Host, list[Guest]] = {}
        for host, berth, talk in seated:
            again = [self._reference_guest(host, berth, talk.closing_script())] if talk.answered else []
            by_host.setdefault(host, []).extend(again)
        for host in by_host:
            host.keep_open = False
        async with asyncio.TaskGroup() as tasks:
            for host, guests in by_host.items():
                tasks.create_task(host.serve(guests))

    def _reference_talk(self, berth: Berth) -> ReferenceTalk:
        clock = replace(
            self._clock_talk(berth),
            purpose=Purpose.REFERENCE,
            course=ClockCourse(fine=True),
            tell=lambda _: None,
        )
        return ReferenceTalk(clock=clock, sync=sync_steps(berth.plan))

    def _reference_guest(self, host: Host, berth: Berth, script: Script) -> Guest:
        tag = berth.device.tag
        return Guest(tag, script, Shelf(tag, host.log), berth.plan.profile.quirks, judged=False)

    # links and devices -------------------------------------------------------------------------------

    def _seats_of(self, group: Sequence[Berth]) -> Seats:
        """A link with all its devices, ready to be served."""
        host = self._host_for(group)
        return host, [self._guest(host, berth) for berth in group]

    def _host_for(self, group: Sequence[Berth]) -> Host:
        target = group[0].target
        host = Host(
            lambda on_stray: self._link_factory(target, self._clock, on_stray),
            self._manner_of([berth.plan.limits for berth in group], self._budget_of(target)),
            self._journal,
            self._finished,
            self._lanes,
        )
        self._hosts.append(host)
        return host

    def _manner_of(self, limits: Sequence[Limits], budget: RequestBudget | None) -> Manner:
        """How to treat a link; links of the same types in the same network share one."""
        key = (frozenset(map(id, limits)), id(budget))
        manner = self._manners.get(key)
        if manner is None:
            manner = self._manners[key] = Manner(limits, self._pacing, budget)
        return manner

    def _guest(self, host: Host, berth: Berth) -> Guest:
        tag = berth.device.tag
        self._journal.phase(tag, Phase.WAITING)
        shelf = self._journal.shelf(tag, host.log)
        talk = self._talk(berth)
        if berth.plan.clock:
            talk.clock = self._clock_talk(berth).script()
        return Guest(tag, talk.script(), shelf, berth.plan.profile.quirks)

    def _clock_talk(self, berth: Berth) -> ClockTalk:
        """The conversation with a device's clock."""
        scope, plan = self._plan.scope, berth.plan
        return ClockTalk(
            unit=berth.target.unit,
            step=plan.clock[0],
            shift=plan.shift,
            limits=plan.limits,
            pacing=self._pacing,
            course=ClockCourse(fine=scope.fine, patient=scope.patient, dwell_s=scope.dwell_s),
            terms=clock_terms(self._plan.lineup, berth.device.tag),
            run=self._run_context,
            tell=self._journal.clock_state,
        )

    def _run_context(self) -> RunContext:
        """What the judge knows of the run now; made anew only when there is something new."""
        evidence = self._journal.run_evidence()
        if self._context is None or self._context.run is not evidence:
            self._context = RunContext(self._plan.lineup, evidence)
        return self._context

    def _talk(self, berth: Berth) -> Conversation:
        tag = berth.device.tag
        return Conversation(
            tag=tag,
            unit=berth.target.unit,
            plan=berth.plan,
            course=berth.course,
            pacing=self._pacing,
            identified=lambda: self._board.look(tag, self._run_context()),
        )

    def _budget_of(self, target: Target) -> RequestBudget | None:
        """The budget of the network in which the host lies, shared by all its hosts."""
        network = network_of(target.host, self._plan.lineup.map.networks)
        if network is None or network.requests_per_second is None:
            return None
        if network.name not in self._budgets:
            self._budgets[network.name] = RequestBudget(network.requests_per_second)
        return self._budgets[network.name]

    # judging -----------------------------------------------------------------------------------------

    async def _finished(self, guest: Guest) -> None:
        """A device is done: judge it and let its evidence go.

        One with a clock waits beside the link for the reference's first reading, which takes long only
        where a server keeps silent: judged before, its clock could not be compared.
        """
        if not guest.judged:
            self._referenced()
            return
        berth = self._by_tag[guest.tag]
        await self._surroundings.neighbour(berth)
        if berth.plan.clock and self._references_due > 0:
            self._late.append(guest.tag)
        else:
            self._judge_done(guest.tag)

    def _referenced(self) -> None:
        """One more reference was read, or found silent; after the last one nobody waits any more."""
        self._references_due -= 1
        if self._references_due <= 0:
            self._judge_late()

    def _judge_late(self) -> None:
        late, self._late = self._late, []
        for tag in late:
            self._judge_done(tag)

    def _judge_done(self, tag: str) -> None:
        self._judge_device(tag, interrupted=False)
        self._journal.phase(tag, Phase.DONE)

    def _judge_device(self, tag: str, *, interrupted: bool) -> None:
        shelf = self._journal.shelves.pop(tag, None) or Shelf(tag, LinkLog())
        evidence = shelf.evidence(interrupted=interrupted)
        shelf.empty()
        judgement = self._judge.judge_device(
            self._plan.lineup, self._plan.scope, evidence, self._journal.run_evidence()
        )
        self._judgements[tag] = judgement
        self._journal.tell("judged", tag, judgement.findings, final=False)

    def _conclude(self) -> tuple[tuple[Finding, ...], tuple[Cause, ...]]:
        """Judge what is left (of an interrupted run) and the whole; write the verdicts."""
        for tag in self._plan.scope.tags:
            if tag not in self._judgements:
                self._judge_device(tag, interrupted=True)
        conclusion = self._judge.conclude(
            self._plan.lineup, self._plan.scope, self._judgements, self._journal.run_evidence()
        )
        findings, causes = tuple(conclusion.findings), tuple(conclusion.causes)
        self._clocks = tuple(getattr(conclusion, "clocks", ()))  # judges of tests have none
        try:
            self._ledger.conclude(findings, causes)
        except (RecordError, OSError) as error:
            self._why = self._why or f"the record could not be kept: {error}"
        self._tell_final(findings)
        return findings, causes

    def _tell_final(self, findings: Sequence[Finding]) -> None:
        for subject, its_findings in groupby(findings, _subject_of):  # they stand in that order
            self._journal.tell("judged", subject, tuple(its_findings), final=True)


def _raise_first(results: Sequence[object]) -> None:
    """Raise the first error among the results; our own cancelling is none."""
    for result in results:
        error = result
        while isinstance(error, BaseExceptionGroup):
            error = error.exceptions[0]
        if isinstance(error, BaseException) and not isinstance(error, asyncio.CancelledError):
            raise error
