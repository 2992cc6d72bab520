"""A world in which time jumps: an event loop that never waits, and devices that answer as a test says."""

from __future__ import annotations

import asyncio
import hashlib
import selectors
import struct
from collections.abc import Callable, Sequence
from types import SimpleNamespace
from typing import Any

import pytest

from probe.collect.events import AuditResult, Phase
from probe.collect.pacing import Pacing
from probe.collect.surroundings import Senses
from probe.model.clock import RunClock
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.device_map import Device, DeviceMap, Target
from probe.model.errors import Problem, RecordError
from probe.model.evidence import (
    Connect,
    ConnectOutcome,
    Disconnect,
    Echo,
    Evidence,
    Exchange,
    Framing,
    Outcome,
    ReferenceSample,
)
from probe.model.finding import Cause, Expectation, Finding
from probe.model.lineup import Lineup, SourceText
from probe.model.profile import Area, Limits, Point, Profile, Quirks
from probe.model.scope import Scope
from probe.wire.echo import EchoRight
from probe.wire.link import Follow, Hold, Request, StrayHandler

SECOND = 1_000_000_000


class JumpingLoop(asyncio.SelectorEventLoop):
    """Jumps to the next timer when all tasks wait; nothing in a test takes real time."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        super().__init__(_NoWait(self))

    def time(self) -> float:
        return self.now_s


class _NoWait(selectors.SelectSelector):
    def __init__(self, loop: JumpingLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> Any:
        if timeout:
            self._loop.now_s += timeout
        return super().select(0)


class LoopClock:
    """A run clock on the jumping loop."""

    def __init__(self, loop: JumpingLoop) -> None:
        self._loop = loop
        self.wall_offset_ns = 1_800_000_000 * SECOND

    def now_ns(self) -> int:
        return round((self._loop.now_s - 1000.0) * 1e9)

    def wall_ns(self) -> int:
        return self.wall_offset_ns + self.now_ns()


# the data of an answer, made from the request and the instant in the middle of the exchange; None for zeros
Contents = Callable[[Request, int], bytes | None]

# what a device does with a request: outcome, exception code, seconds it takes
Reply = tuple[Outcome, int, float]
Behaviour = Callable[[Request, "FakeLink"], Reply]

DATA: Reply = (Outcome.DATA, 0, 0.005)
SILENT: Reply = (Outcome.NO_ANSWER, 0, -1.0)  # takes the time-out


def exception(code: int, after_s: float = 0.005) -> Reply:
    return (Outcome.EXCEPTION, code, after_s)


class FakeLink:
    """A link whose device is a function of the request; keeps what was done with it, and when."""

    def __init__(self, target: Target, clock: RunClock, behaviour: Behaviour, on_stray: StrayHandler) -> None:
        self.on_stray = on_stray
        self.name = target.link
        self.clock = clock
        self.behaviour = behaviour
        self.opens: list[ConnectOutcome] = []  # outcomes of the next connects; OPEN when used up
        self.connects: list[int] = []
        self.asked: list[tuple[int, Request]] = []
        self.answered: list[int] = []
        self.contents: Contents = lambda *_: None
        self.in_flight = 0
        self._open = False
        self._told: Disconnect | None = None

    @property
    def is_open(self) -> bool:
        return self._open

    async def open(self, timeout_s: float) -> Connect:
        at = self.clock.now_ns()
        self.connects.append(at)
        outcome = self.opens.pop(0) if self.opens else ConnectOutcome.OPEN
        await asyncio.sleep(timeout_s if outcome is ConnectOutcome.NO_ANSWER else 0.001)
        self._open = outcome is ConnectOutcome.OPEN
        return Connect(self.name, at, self.clock.now_ns(), outcome, "", "127.0.0.1:1" if self._open else "")

    async def ends_within(self, wait_s: float) -> bool:
        if self._open:
            await asyncio.sleep(wait_s)
        return not self._open

    def drop(self) -> None:
        """The device closes."""
        self._open = False
        self._told = Disconnect(self.name, self.clock.now_ns(), True, len(self.asked))

    async def exchange(self, request: Request, quirks: Quirks) -> Exchange:
        assert self.in_flight == 0, "more than one request in flight"
        sent = self.clock.now_ns()
        self.in_flight = 1
        self.asked.append((sent, request))
        try:
            outcome, code, after_s = self.behaviour(request, self)
            await asyncio.sleep(request.timeout_s if after_s < 0 else after_s)
        finally:
            self.in_flight = 0
        if outcome in (Outcome.CLOSED, Outcome.RESET):
            self.drop()
        received = self.clock.now_ns()
        self.answered.append(received)
        frame = struct.pack(">HHHB", 1, 0, 1 + len(request.pdu), request.unit) + request.pdu
        return Exchange(
            request.tag, request.purpose, Framing.MBAP, request.round, request.attempt, sent, received,
            outcome, code, frame,
            response_to(request, outcome, code, self.contents(request, (sent + received) // 2)),
        )  # fmt: skip

    async def converse(self, request: Request, quirks: Quirks, follow: Follow) -> Exchange:
        """As a real link: good answers go to ``follow`` until it has no request."""
        while True:
            exchange = await self.exchange(request, quirks)
            following = follow(exchange) if exchange.outcome is Outcome.DATA else None
            if following is Hold.HOLD:
                self._held = asyncio.get_running_loop().create_future()
                following = await self._held
            if following is None:
                return exchange
            request = following

    def resume(self, request: Request | None) -> None:
        """As a real link, but the device never closes meanwhile."""
        if not self._held.done():
            self._held.set_result(request)

    async def close(self) -> Disconnect | None:
        if self._open:
            self._open = False
            return Disconnect(self.name, self.clock.now_ns(), False, len(self.asked))
        told, self._told = self._told, None
        return told


def response_to(request: Request, outcome: Outcome, code: int, data: bytes | None = None) -> bytes:
    """A frame that fits the outcome (its data are zeros where none are given)."""
    function = request.pdu[0]
    if outcome is Outcome.EXCEPTION:
        pdu = bytes((function | 0x80, code))
    elif outcome is not Outcome.DATA:
        return b""
    elif function == 0x2B:
        pdu = bytes((0x2B, 0x0E, request.pdu[2], 0x01, 0, 0, 1, 0, 1)) + b"M"
    else:
        count = struct.unpack(">H", request.pdu[3:5])[0]
        size = 2 * count if function >= 3 else (count + 7) // 8
        pdu = bytes((function, size)) + (data or bytes(size))
    return struct.pack(">HHHB", 1, 0, 1 + len(pdu), request.unit) + pdu


class MemoryLedger:
    """Keeps everything in a list; can be told to fail at a number."""

    def __init__(self) -> None:
        self.kept: list[Evidence] = []
        self.expectations: tuple[Expectation, ...] = ()
        self.concluded: tuple[Sequence[Finding], Sequence[Cause]] | None = None
        self.fail_at: int | None = None

    def keep(self, evidence: Evidence) -> int:
        if self.fail_at is not None and len(self.kept) >= self.fail_at:
            raise RecordError(Problem(file="x.audit.jsonl", what="the disk is full"))
        self.kept.append(evidence)
        return len(self.kept)

    def expect(self, expectations: Sequence[Expectation]) -> None:
        assert not self.kept, "what is expected stands before all evidence"
        self.expectations = tuple(expectations)

    def conclude(self, findings: Sequence[Finding], causes: Sequence[Cause]) -> None:
        self.concluded = (findings, causes)

    def flush(self) -> None: ...

    def of(self, kind: type) -> list[Any]:
        return [one for one in self.kept if type(one) is kind]


class PlainJudge:
    """Keeps the evidence that it is given and says nothing."""

    def __init__(self) -> None:
        self.seen: dict[str, DeviceEvidence] = {}
        self.run: RunEvidence | None = None

    def expected(self, lineup: Lineup, scope: Scope) -> Sequence[Expectation]:
        return [Expectation(check="reach", subject=tag) for tag in scope.tags]

    def judge_device(self, lineup: Lineup, scope: Scope, evidence: DeviceEvidence, run: RunEvidence) -> Any:
        assert evidence.tag not in self.seen, "judged twice"
        self.seen[evidence.tag] = evidence
        return Said(evidence.tag)

    def conclude(self, lineup: Lineup, scope: Scope, judgements: Any, run: RunEvidence) -> Any:
        assert set(judgements) == set(scope.tags)
        self.run = run
        return Said("lineup")


class Said:
    def __init__(self, tag: str) -> None:
        self.tag = tag
        self.findings: tuple[Finding, ...] = ()
        self.causes: tuple[Cause, ...] = ()


class Watcher:
    """An observer that remembers."""

    def __init__(self) -> None:
        self.phases: list[tuple[str, Phase]] = []
        self.exchanges: list[Exchange] = []
        self.judged_: list[tuple[str, bool]] = []
        self.notes: list[str] = []
        self.result: AuditResult | None = None
        self.started = 0

    def run_started(self, plan: object) -> None:
        self.started += 1

    def phase(self, tag: str, phase: Phase) -> None:
        self.phases.append((tag, phase))

    def exchange(self, exchange: Exchange) -> None:
        self.exchanges.append(exchange)

    def judged(self, tag: str, findings: Sequence[Finding], *, final: bool) -> None:
        self.judged_.append((tag, final))

    def note(self, text: str) -> None:
        self.notes.append(text)

    def run_finished(self, result: AuditResult) -> None:
        self.result = result


class _Numbers:
    def decode(self, raw: bytes) -> Any:
        return int.from_bytes(raw, "big"), "good"

    def encode(self, value: Any) -> bytes:
        return int(value).to_bytes(2, "big")


def point(name: str, start: int, count: int = 1, **more: Any) -> Point:
    return Point(
        name=name, title=name, area=more.pop("area", Area.HOLDING), start=start, count=count, type="u16",
        order="AB", decoder=_Numbers(), **more,
    )  # fmt: skip


def profile_of(*points: Point, limits: Limits | None = None, **more: Any) -> Profile:
    return Profile(
        name=more.pop("name", "plain"), title="", kind="other", limits=limits or Limits(), points=points,
        by_name={p.name: p for p in points}, **more,
    )  # fmt: skip


def lineup_of(devices: Sequence[dict[str, Any]], profiles: Sequence[Profile], **more: Any) -> Lineup:
    first = profiles[0].name
    text = SourceText(name="map.yaml", text="", sha256=hashlib.sha256(b"").hexdigest())
    device_map = DeviceMap(
        format="buswitness-map/1", site="Tarn Hollow Water Works", lineup="MSB-1",
        system={"voltage_v": 480, "frequency_hz": 60},
        devices=tuple(
            Device(**{"kind": "other", "profile": first, "section": "A", **device}) for device in devices
        ),
        **more,
    )  # fmt: skip
    return Lineup(
        map=device_map, profiles={p.name: p for p in profiles}, map_texts=(text,), profile_texts=(text,)
    )


def _permitted() -> EchoRight:
    return EchoRight.DATAGRAM


async def _answered(host: str, tag: str, clock: RunClock, right: EchoRight) -> Echo:
    return Echo(host, tag, clock.now_ns(), clock.now_ns(), True)


async def _empty_table() -> dict[str, str]:
    return {}


def _own_clock(clock: RunClock) -> ReferenceSample:
    return ReferenceSample("laptop", clock.now_ns(), clock.now_ns(), -1, 1, True, "", b"")


async def _no_ntp(host: str, clock: RunClock, sampling: object) -> tuple[ReferenceSample, ...]:
    return ()


class World:
    """Runs audits in jumping time. behaviours: what answers on a link, by the link's name or for all."""

    def __init__(self) -> None:
        self.ledger = MemoryLedger()
        self.judge = PlainJudge()
        self.watcher = Watcher()
        self.links: dict[str, FakeLink] = {}
        self.behaviours: dict[str, Behaviour] = {}
        self.opens: dict[str, list[ConnectOutcome]] = {}
        self.contents: dict[str, Contents] = {}
        self.observers: list[Any] = [self.watcher]
        self.pacing = Pacing()
        self.senses = Senses(_permitted, _answered, _empty_table, _own_clock, _no_ntp)
        self.seconds = 0.0
        self.on_start: Callable[[asyncio.Event, LoopClock], None] | None = None

    def _link(self, target: Target, clock: RunClock, on_stray: StrayHandler) -> FakeLink:
        assert target.link not in self.links, "two sockets to one host and port"
        behaviour = self.behaviours.get(target.link) or self.behaviours.get("") or (lambda *_: DATA)
        link = self.links[target.link] = FakeLink(target, clock, behaviour, on_stray)
        link.opens = self.opens.get(target.link, [])
        link.contents = self.contents.get(target.link, link.contents)
        return link

    def audit(self, lineup: Lineup, **scope: Any) -> AuditResult:
        from probe.collect import agent

        the_scope = Scope(tags=scope.pop("tags", tuple(lineup.map.by_tag)), **scope)

        async def work() -> AuditResult:
            loop = asyncio.get_running_loop()
            assert isinstance(loop, JumpingLoop)
            clock = LoopClock(loop)
            stop = asyncio.Event()
            if self.on_start is not None:
                self.on_start(stop, clock)
            plan = agent.prepare(lineup, the_scope, judge=self.judge)
            result = await agent.audit(
                plan, ledger=self.ledger, observers=self.observers, clock=clock, stop=stop,
                link_factory=self._link, judge=self.judge, pacing=self.pacing,
                senses=self.senses,
            )  # fmt: skip
            self.seconds = clock.now_ns() / 1e9
            return result

        with asyncio.Runner(loop_factory=JumpingLoop) as runner:
            return runner.run(work())

    def asked(self, link: str) -> list[Request]:
        return [request for _, request in self.links[link].asked]


@pytest.fixture
def world() -> World:
    return World()


@pytest.fixture
def kit() -> SimpleNamespace:
    """The makers of this file, for tests (which cannot import a conftest)."""
    return SimpleNamespace(
        DATA=DATA, SILENT=SILENT, exception=exception, point=point, profile_of=profile_of,
        lineup_of=lineup_of, JumpingLoop=JumpingLoop, LoopClock=LoopClock,
    )  # fmt: skip
