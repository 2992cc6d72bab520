"""Polls the lineup while people act: what matters fast, all else so that nothing moves unseen.

One link a host, one request in flight, gaps and limits as in every run (``host``). A device that is lost is
tried again for as long as the step needs. Nothing is asked while the work is paused.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import NamedTuple, cast

from probe.collect.conversation import Conversation, Course
from probe.collect.device_plan import Step, reading_steps
from probe.collect.events import Ledger
from probe.collect.guest import Guest, Manner
from probe.collect.host import Host
from probe.collect.journal import Journal, LedgerBroken, LinkLog, Shelf
from probe.collect.lanes import Lanes
from probe.collect.pacing import SECOND_NS, Pacing, RequestBudget
from probe.collect.roster import Berth, berths_by_link, network_of
from probe.collect.turn import Script, Turn
from probe.judge.witness.plan import Item, WitnessPlan
from probe.judge.witness.watch import own_tags
from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.evidence import Connect, Disconnect, Exchange, Outcome, Purpose
from probe.wire.link import Link, Request, StrayHandler

LinkFactory = Callable[[Target, RunClock, StrayHandler], Link]
#: A device looks at how fast it is to be polled at least so often.
_LOOK_NS = SECOND_NS // 20
#: Between attempts to a device that does not answer.
_LOST_NS = SECOND_NS
_GRACE_S = 0.5
_PACING = Pacing()
_EVER_NS = 3600 * SECOND_NS
#: A gateway says so for a unit that does not answer it.
_PATH = (0x0A, 0x0B)
#: More devices than that at once are polled less often, to stay gentle.
_MANY = 6


class Pace(NamedTuple):
    """Seconds between two readings of the states, and between two of everything else (0: never)."""

    states_s: float
    rest_s: float


WATCHED, WATCHED_MANY, BESIDE = Pace(0.1, 1.0), Pace(0.5, 1.0), Pace(1.0, 4.0)
NEAR, FAR, RESTING = Pace(0.5, 1.0), Pace(2.0, 8.0), Pace(5.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reads:
    """What is read of one device. states: how it stands; rest: log, clock, counters, settings."""

    berth: Berth
    states: tuple[Step, ...]
    rest: tuple[Step, ...]


def reads_of(plan: WitnessPlan, berth: Berth) -> Reads:
    """The requests that show all signals of the device. Raises PlanError."""
    tag, device_plan = berth.device.tag, berth.plan
    sense, profile = plan.senses[tag], device_plan.profile
    states = dict.fromkeys(name for signal in sense.standing for name in sense.points_of(signal))
    wanted = [name for signal in plan.signals_of(tag) for name in sense.points_of(signal)]
    rest = [name for name in (*wanted, *sorted(profile.event_points)) if name not in states]
    if not states and not rest:  # nothing to watch but whether it answers
        states = dict.fromkeys(point.name for point in profile.points[:1])

    def steps(names: Iterable[str]) -> tuple[Step, ...]:
        return reading_steps(profile, device_plan.shift, device_plan.price, Purpose.WITNESS, names)

    clock = steps([profile.clock.point]) if profile.clock is not None else ()
    others = steps(name for name in rest if profile.clock is None or name != profile.clock.point)
    return Reads(berth=berth, states=steps(states), rest=(*others, *clock))


class WitnessPoll:
    """The links of a witness run. ``start`` and ``halt`` as often as needed; ``attend`` says what matters."""

    def __init__(
        self,
        plan: WitnessPlan,
        ledger: Ledger,
        clock: RunClock,
        link_factory: LinkFactory,
        pacing: Pacing = _PACING,
    ) -> None:
        """ledger: takes every piece of evidence. Raises InputError for points that cannot be read."""
        self._plan = plan
        self._clock = clock
        self._pacing = pacing
        self._make_link = link_factory
        self._journal = Journal(ledger, (), clock)
        quick = replace(plan.scope, quick=True)
        groups = berths_by_link(plan.lineup, quick)
        self._groups = [[reads_of(plan, berth) for berth in group] for group in groups.values()]
        self._paces: dict[str, Pace] = dict.fromkeys(plan.tags, RESTING)
        self._hosts: set[Host] = set()
        self._tasks: list[asyncio.Task[None]] = []
        self._stopping = asyncio.Event()
        self._budgets: dict[str, RequestBudget] = {}
        self._lanes = Lanes()
        self.broken: BaseException | None = None

    # -- what matters --------------------------------------------------------------------------------------

    def rest(self) -> None:
        """Nobody acts: just keep an eye on everything."""
        self._paces = dict.fromkeys(self._plan.tags, RESTING)

    def prepare(self, item: Item) -> None:
        """The step is being read: how its devices stand is shown."""
        self._set(item, NEAR, FAR)

    def attend(self, item: Item) -> None:
        """Somebody acts now: the step's devices as fast as they bear, the others beside."""
        own = self._own(item)
        self._set(item, WATCHED if len(own) <= _MANY else WATCHED_MANY, BESIDE)

    def _set(self, item: Item, own: Pace, others: Pace) -> None:
        mine = self._own(item)
        self._paces = {tag: own if tag in mine else others for tag in self._plan.tags}

    def _own(self, item: Item) -> frozenset[str]:
        """The step's own devices, and single ones that it expects something of (the master)."""
        plan = self._plan
        tags = set(own_tags(plan, item))
        for one in item.step.expect:
            asked = plan.whose(item, one.of, plan.signal(item, one.see))
            tags.update(asked if one.of not in ("others", "all") else ())
        return frozenset(tags)

    # -- life ----------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Open the links and poll until ``halt``."""
        self._stopping.clear()
        self._tasks = [asyncio.ensure_future(self._keep_up(group)) for group in self._groups]

    async def halt(self) -> None:
        """Close all links in good order; requests in flight get a moment."""
        self._stopping.set()
        for host in self._hosts:
            host.stop()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=_GRACE_S)
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._tasks = []

    async def _keep_up(self, group: Sequence[Reads]) -> None:
        """One link, served again whenever its host has given it up."""
        try:
            while not self._stopping.is_set():
                await self._serve(group)
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._stopping.wait(), self._pacing.connect_interval_s)
        except LedgerBroken as broken:
            self.broken = broken.__cause__ or broken
        except Exception as error:  # noqa: BLE001 - a defect of ours must end the run, not stall it
            self.broken = error

    async def _serve(self, group: Sequence[Reads]) -> None:
        target = group[0].berth.target
        limits = [one.berth.plan.limits for one in group]
        host = Host(
            lambda on_stray: self._make_link(target, self._clock, on_stray),
            Manner(limits, self._pacing, self._budget_of(target)),
            self._journal,
            _nothing,
            self._lanes,
        )
        host.log = _void_log()
        self._hosts.add(host)
        try:
            await host.serve([self._guest(host, one) for one in group])
        finally:
            self._hosts.discard(host)
            await host.close()

    def _guest(self, host: Host, reads: Reads) -> Guest:
        tag = reads.berth.device.tag
        shelf = Shelf(tag, host.log)
        shelf.exchanges = _Void()
        return Guest(tag, self._script(reads), shelf, reads.berth.plan.profile.quirks)

    def _budget_of(self, target: Target) -> RequestBudget | None:
        network = network_of(target.host, self._plan.lineup.map.networks)
        if network is None or network.requests_per_second is None:
            return None
        return self._budgets.setdefault(network.name, RequestBudget(network.requests_per_second))

    # -- one device ----------------------------------------------------------------------------------------

    def _script(self, reads: Reads) -> Script:
        """Who it is, then its signals for ever, as fast as the step wants them."""
        tag = reads.berth.device.tag
        yield from self._identify(reads)
        states_ns = rest_ns = -_EVER_NS  # the first readings at once
        failing = lost = False
        while True:
            pace, now_ns = self._paces[tag], self._clock.now_ns()
            states_due = states_ns + _ns(pace.states_s)
            rest_due = rest_ns + _ns(pace.rest_s) if pace.rest_s else now_ns + _LOST_NS
            due = min(states_due, rest_due)
            if failing:
                due = max(due, max(states_ns, rest_ns) + _LOST_NS)
            if due > now_ns:
                yield min(due, now_ns + _LOOK_NS)
            else:
                if rest_due <= states_due:
                    rest_ns, steps = now_ns, reads.rest
                else:
                    states_ns, steps = now_ns, reads.states
                failing = yield from self._read(reads, steps)
                if lost and not failing:  # it came back: is it still the same?
                    yield from self._identify(reads)
                lost = failing

    def _read(self, reads: Reads, steps: Sequence[Step]) -> Generator[Turn, Exchange, bool]:
        """Ask each step once; True if the device itself did not answer."""
        plan, unit = reads.berth.plan, reads.berth.target.unit
        for step in steps:
            exchange = yield Request(
                reads.berth.device.tag, Purpose.WITNESS, 0, 1, unit, step.pdu, plan.limits.timeout_s
            )
            if exchange.outcome not in (Outcome.DATA, Outcome.EXCEPTION) or exchange.exception_code in _PATH:
                return True
        return False

    def _identify(self, reads: Reads) -> Script:
        """Ask who the device is, and its proof points."""
        berth = reads.berth
        talk = Conversation(
            tag=berth.device.tag,
            unit=berth.target.unit,
            plan=replace(berth.plan, poll=(), freshness=(), clock=()),
            course=Course(quick=True),
            pacing=self._pacing,
        )
        yield from talk.script()


async def _nothing(_guest: Guest) -> None:
    """Nobody is judged when a link is given up: it is tried again."""


class _Void(list[tuple[int, Exchange]]):
    """Keeps nothing: a run of hours must not fill the memory; what counts stands in the record."""

    def append(self, _item: tuple[int, Exchange]) -> None:
        """Let it go."""


def _void_log() -> LinkLog:
    """A log of a link that keeps nothing."""
    log = LinkLog()
    log.connects = cast("list[tuple[int, Connect]]", _Void())
    log.disconnects = cast("list[tuple[int, Disconnect]]", _Void())
    return log


def _ns(seconds: float) -> int:
    return round(seconds * SECOND_NS)
