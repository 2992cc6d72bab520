"""Link-loss test: a person pulls a named link and puts it back, while every device is asked fast.

    asked     what is going to happen, with its cautions; a person types the link's name to agree
    ready     questions to all devices, so that it is known how they answer
    pulled    until all answer again as before, or for ``Tempo.longest_s``
    plugged   the same when the link is put back
    ended     then the run goes on: every device is asked who it is

Questions are an echo and one small Modbus read a device, each every ``Tempo.every_s``, one connection a host
and one request in flight on it. The tool touches no switch: only a person pulls a cable.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from probe.collect.device_plan import Step, reading_steps
from probe.collect.journal import Journal, LedgerBroken
from probe.collect.roster import Berth
from probe.collect.surroundings import outside_host
from probe.judge.network.failover import Trial, between, gathered
from probe.judge.network.outage import Outage
from probe.judge.network.switch_view import plain
from probe.judge.wording import AT_THE_GEAR, count, some, span
from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.evidence import ConnectOutcome, Evidence, Outcome, Purpose
from probe.model.failover_evidence import Beat, LinkAct, LinkStep, Means
from probe.model.map_network import Link as MapLink
from probe.wire.connect import link_to
from probe.wire.echo import EchoRight, echo, echo_right
from probe.wire.link import Link, Request, StrayHandler

CAUTIONS = (
    "While the link is out, devices behind it may be neither seen nor controlled from afar. Make sure that "
    "whoever runs the plant has agreed, and that somebody at the gear can trip it by hand. Pull no other "
    f"cable. {AT_THE_GEAR}"
)
_USABLE = (EchoRight.RAW, EchoRight.DATAGRAM)
_PLAIN = (Outcome.DATA, Outcome.EXCEPTION)


class Person(Protocol):
    """Whoever stands at the gear."""

    def tell(self, text: str) -> None:
        """Show a text."""
        ...

    async def answer(self, question: str) -> str | None:
        """Show a question; the line that was typed, None if nobody will type any more."""
        ...


class Tempo(NamedTuple):
    """How fast and how long. every_s: between two questions to a device. before_s: asked while the link is
    whole. quiet_s: so long all must answer again before it goes on; longest_s: after which it goes on anyway.
    answer_s: after which a question counts as lost."""

    every_s: float = 0.1
    before_s: float = 3.0
    quiet_s: float = 3.0
    longest_s: float = 90.0
    answer_s: float = 1.0


#: So many questions a second go out at most, all devices together; more devices are asked less often.
MOST_A_SECOND = 400.0
LinkFactory = Callable[[Target, RunClock, StrayHandler], Link]


def tempo_for(devices: int, every_s: float) -> Tempo:
    """The tempo for so many devices: as fast as wished, within the budget of questions a second."""
    return Tempo(every_s=max(every_s, 2 * devices / MOST_A_SECOND))


@dataclass(frozen=True, slots=True, kw_only=True)
class Failover:
    """Link-loss tests, ready to be handed to ``agent.audit`` as ``around``.

    berths: the devices by the name of their link (``roster.berths_by_link``).
    """

    links: Sequence[MapLink]
    berths: Mapping[str, Sequence[Berth]]
    person: Person
    operator: str
    tempo: Tempo
    make_link: LinkFactory = link_to
    right: Callable[[], EchoRight] = field(default=echo_right)

    @asynccontextmanager
    async def around(self, journal: Journal) -> AsyncIterator[None]:
        """All tests, one after the other; then the devices are asked who they are."""
        for link in self.links:
            await _Test(self, link, journal).run()
        yield


class _Test:
    """The test of one link."""

    def __init__(self, plan: Failover, link: MapLink, journal: Journal) -> None:
        self._plan, self._link, self._journal = plan, link, journal
        self._clock = journal.clock
        self._person = plan.person
        self._kept: list[tuple[int, Evidence]] = []

    async def run(self) -> None:
        """Ask for the link to be pulled and put back; keep all that happens."""
        ends = " to ".join(end.words for end in self._link.ends)
        question = f"Type {self._link.name} to agree, or only Enter to leave this link out: "
        self._step(LinkAct.ASKED, f"{self._introduction(ends)}\n{CAUTIONS}\n{question}")
        self._person.tell(f"{self._introduction(ends)}\n\n{CAUTIONS}\n")
        said = await self._person.answer(question)
        if said is None or plain(said) != plain(self._link.name):
            self._step(LinkAct.SKIPPED, question, said or "")
            self._person.tell(f"Link {self._link.name} is left out.")
            return
        self._step(LinkAct.READY, question, said)
        asking = asyncio.ensure_future(self._ask_all())
        try:
            await self._with_people(ends)
            self._step(LinkAct.ENDED)
        except asyncio.CancelledError:
            with contextlib.suppress(LedgerBroken):
                self._step(LinkAct.STOPPED)
            self._person.tell(f"Stopped. If link {self._link.name} is out, put it back now.")
            raise
        finally:
            asking.cancel()
            results = await asyncio.gather(asking, return_exceptions=True)
        _raise_if_any(results)

    async def _with_people(self, ends: str) -> None:
        """The part in which somebody acts."""
        await asyncio.sleep(self._plan.tempo.before_s)
        self._tell_before()
        name = self._link.name
        if not await self._act(LinkAct.PULL, f"Pull link {name} now ({ends}). Press Enter when it is out: "):
            return
        await self._settled()
        self._tell_outcome("lost")
        if not await self._act(
            LinkAct.PLUG, f"Put link {name} back now ({ends}). Press Enter when it is in: "
        ):
            return
        await self._settled()
        self._tell_outcome("back")

    async def _act(self, act: LinkAct, question: str) -> bool:
        """Ask a person to do something; False if nobody answers any more."""
        self._step(act, question)
        said = await self._person.answer(question)
        if said is None:
            self._step(LinkAct.STOPPED, question)
            self._person.tell(f"Nobody answers. If link {self._link.name} is out, put it back now.")
            return False
        self._step(LinkAct.PULLED if act is LinkAct.PULL else LinkAct.PLUGGED, question, said)
        return True

    # ------------------------------------------------------------------------------------------- people

    def _introduction(self, ends: str) -> str:
        devices = sum(len(group) for group in self._plan.berths.values())
        limit = self._link.limit
        allowed = (
            f"Replies may stay out for {span(limit.recovery_ms / 1000)}: {limit.source}."
            if limit is not None
            else "The map gives no limit for it: the outage is timed and not judged."
        )
        return (
            f"Link-loss test of {self._link.name}: {ends}. You are asked to pull it and put it back, while "
            f"{count(devices, 'device')} {'is' if devices == 1 else 'are'} asked every "
            f"{span(self._plan.tempo.every_s)}. {allowed}"
        )

    def _tell_before(self) -> None:
        trial = self._trial()
        rows = {key: trial.before(key) for key in trial.beats}
        silent = sorted(f"{tag} ({means})" for (tag, means), seen in rows.items() if not seen.answered)
        good = len(rows) - len(silent)
        told = f"{count(good, 'row')} of questions answered"
        self._person.tell(f"{told}; silent, and not judged: {some(silent, 6)}." if silent else f"All {told}.")

    def _tell_outcome(self, word: str) -> None:
        trial = self._trial()
        phase = next((phase for phase in trial.phases if phase.word == word), None)
        if phase is None:
            return
        seen: list[tuple[str, Outage]] = []
        for key in sorted(trial.beats):
            outage = trial.outage(key, phase)
            if outage is not None and trial.before(key).answered:
                seen.append((f"{key[0]} ({key[1]})", outage))
        if seen:
            who, worst = max(seen, key=lambda pair: (pair[1].seconds.high, pair[1].seconds.low))
            self._person.tell(f"Longest outage: {between(worst)}, at {who}.")

    def _trial(self) -> Trial:
        return gathered(self._kept)[self._link.name]

    def _step(self, act: LinkAct, question: str = "", said: str = "") -> None:
        step = LinkStep(self._clock.now_ns(), self._link.name, act, question, said[:200], self._plan.operator)
        self._kept.append((self._journal.keep(step), step))

    # ----------------------------------------------------------------------------------------- settling

    async def _settled(self) -> None:
        """Wait until all that answered before answer again, for a while; or as long as it may take."""
        tempo = self._plan.tempo
        before = {key for key, seen in self._befores().items() if seen}
        end_ns = self._clock.now_ns() + round(tempo.longest_s * 1e9)
        good_since: int | None = None
        while self._clock.now_ns() < end_ns:
            await asyncio.sleep(min(0.2, tempo.every_s))
            now_ns = self._clock.now_ns()
            fresh_ns = now_ns - round((3 * tempo.every_s + 0.5) * 1e9)
            if all(self._last_answer_ns.get(key, 0) > fresh_ns for key in before):
                good_since = good_since if good_since is not None else now_ns
                if now_ns - good_since >= tempo.quiet_s * 1e9:
                    return
            else:
                good_since = None

    def _befores(self) -> dict[tuple[str, Means], int]:
        trial = self._trial()
        return {key: trial.before(key).answered for key in trial.beats}

    # ----------------------------------------------------------------------------------------- questions

    @property
    def _last_answer_ns(self) -> dict[tuple[str, Means], int]:
        found: dict[tuple[str, Means], int] = {}
        for _, one in reversed(self._kept[-4000:]):
            if isinstance(one, Beat) and one.answered:
                found.setdefault((one.tag, one.means), one.received_ns)
        return found

    async def _ask_all(self) -> None:
        """Ask all devices until cancelled."""
        right = self._plan.right()
        if right not in _USABLE:
            self._person.tell(f"No echo requests: {right}. Modbus alone is timed.")
        async with asyncio.TaskGroup() as tasks:
            for group in self._plan.berths.values():
                tasks.create_task(self._modbus(group))
                host = outside_host(group[0].target.host)
                if host and right in _USABLE:
                    tasks.create_task(self._echoes(group[0].device.tag, host, right, tasks))

    def _beat(self, beat: Beat) -> None:
        self._kept.append((self._journal.keep(beat), beat))

    async def _echoes(self, tag: str, host: str, right: EchoRight, tasks: asyncio.TaskGroup) -> None:
        """One echo every so often, whether the one before was answered or not."""

        async def one() -> None:
            seen = await echo(host, tag, self._clock, right, timeout_s=self._plan.tempo.answer_s)
            outcome = Outcome.DATA if seen.answered else Outcome.NO_ANSWER
            self._beat(
                Beat(
                    self._link.name, tag, host, Means.ECHO, seen.sent_ns, seen.received_ns, outcome, b"", b""
                )
            )  # fmt: skip

        async for _ in _ticks(self._plan.tempo.every_s):
            tasks.create_task(one())

    async def _modbus(self, group: Sequence[Berth]) -> None:
        """The devices of one link in turn, one request in flight; connected again when it breaks."""
        steps = [(berth, small_read(berth)) for berth in group]
        rows = [(berth, step) for berth, step in steps if step is not None]
        if not rows:
            return
        link = self._plan.make_link(rows[0][0].target, self._clock, _ignored)
        turn = 0
        try:
            async for _ in _ticks(self._plan.tempo.every_s / len(rows)):
                berth, step = rows[turn % len(rows)]
                turn += 1
                self._beat(await self._asked(link, berth, step))
        finally:
            await link.close()

    async def _asked(self, link: Link, berth: Berth, step: Step) -> Beat:
        """One small read, connecting first if need be."""
        tag, name, wait_s = berth.device.tag, link.name, self._plan.tempo.answer_s
        if not link.is_open:
            opened = await link.open(wait_s)
            if opened.outcome is not ConnectOutcome.OPEN:
                return Beat(
                    self._link.name, tag, name, Means.MODBUS, opened.sent_ns, opened.received_ns,
                    opened.outcome, b"", b"",
                )  # fmt: skip
        request = Request(tag, Purpose.WITNESS, 0, 1, berth.target.unit, step.pdu, wait_s)
        done = await link.exchange(request, berth.plan.profile.quirks)
        if done.outcome not in _PLAIN:
            await link.close()  # as a master would: a connection that lost an answer is not waited on
        return Beat(
            self._link.name, tag, name, Means.MODBUS, done.sent_ns, done.received_ns, done.outcome,
            done.request, done.response,
        )  # fmt: skip


def small_read(berth: Berth) -> Step | None:
    """The one read that a device is asked with: its proof point, what moves, or its first point."""
    profile = berth.plan.profile
    names = [proof.point for proof in profile.proof]
    names += list(profile.freshness.points) if profile.freshness else []
    names += [point.name for point in profile.points[:1]]
    plan = berth.plan
    steps = reading_steps(profile, plan.shift, plan.price, Purpose.WITNESS, names[:1])
    return steps[0] if steps else None


async def _ticks(every_s: float) -> AsyncIterator[None]:
    """One turn every so often; turns that were missed are left out, not made up for."""
    loop = asyncio.get_running_loop()
    due = loop.time()
    while True:
        yield
        due = max(due + every_s, loop.time())
        await asyncio.sleep(max(0.0, due - loop.time()))


def _ignored(_stray: object) -> None:
    """Answers that come after they were given up say nothing new here: the question counts as lost."""


def _raise_if_any(results: Iterable[object]) -> None:
    """What broke the asking, if it was not our own cancelling: a ledger that cannot keep ends the run."""
    for one in results:
        if isinstance(one, BaseExceptionGroup):
            _raise_if_any(one.exceptions)
        elif isinstance(one, Exception):
            raise one
