"""One case carried out: the real agent, record and judge on virtual time; and all that was seen of it."""

from __future__ import annotations

import asyncio
import errno
import gc
import hashlib
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from probe.collect.agent import audit, prepare
from probe.collect.events import AuditResult, RunPlan
from probe.collect.surroundings import Senses
from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.errors import RecordError
from probe.model.evidence import Echo, Exchange, ReferenceSample
from probe.model.reference_name import ReferenceName
from probe.practice.clockwork import Moment
from probe.practice.server import Unit
from probe.practice.stage import hosts_of, plant_of
from probe.record.header import Header
from probe.record.marks import Marks
from probe.record.writer import RecordWriter
from probe.wire.connect import link_to
from probe.wire.echo import EchoRight
from probe.wire.link import Link, StrayHandler
from probe.wire.serial_link import SerialLink, silence_s
from tests.simulation.drawing import Case
from tests.simulation.gear import Place
from tests.simulation.loop import START_S, VirtualClock, VirtualLoop
from tests.simulation.network import Net, Tap

#: A run that takes longer than this, virtual seconds, has no end.
LONGEST_S = 3600.0


@dataclass(slots=True, kw_only=True)
class Ran:
    """What became of a case. result: None if the run was cancelled; failure: what escaped from it."""

    case: Case
    plan: RunPlan
    tap: Tap
    record: Path
    result: AuditResult | None = None
    failure: str = ""
    seconds: float = 0.0
    sealed: bool = False
    code: str = ""
    left: list[str] = field(default_factory=list)  # tasks, sockets and errors that outlived the run
    shortest_s: dict[tuple[str, int], float] = field(default_factory=dict)

    def digest(self) -> str:
        """What the run was, to the byte: its record and everything on the wire.

        Without the seal, whose reason may name the folder that the record lies in.
        """
        lines = self.record.read_bytes().splitlines()
        told = hashlib.sha256(b"\n".join(lines[:-1] if self.sealed else lines))
        told.update(repr((self.tap.sent, self.tap.dialled, self.seconds)).encode())
        return told.hexdigest()


def carry_out(case: Case, folder: Path) -> Ran:
    """Run the case; everything in it happens in virtual time. folder: where the record goes."""
    plan = prepare(case.lineup, case.scope)
    loop = VirtualLoop(random.Random(f"turns {case.seed}"), case.turn_s, LONGEST_S)
    net = loop.net = Net(loop, random.Random(f"net {case.seed}"))
    ran = Ran(case=case, plan=plan, tap=net.tap, record=folder / f"{case.seed}.audit.jsonl")
    try:
        with asyncio.Runner(loop_factory=lambda: loop) as runner:
            runner.run(_live(ran, net, loop))
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        ran.failure = f"{type(error).__name__}: {error}"
    gc.collect()  # errors that nobody asked for are told to the loop when they are thrown away
    ran.left += [f"the loop was told: {text}" for text in loop.failures]
    return ran


async def _live(ran: Ran, net: Net, loop: VirtualLoop) -> None:
    case = ran.case
    clock = VirtualClock(loop, round((case.truth_s + case.wall_error_s) * 1e9))
    _settle(case, net, loop)
    ran.shortest_s = {place: site.shortest_timeout_s for place, site in net.sites.items()}
    header = Header.of(case.lineup, case.scope, tool_version="0.1.0", started_wall_ns=clock.wall_ns())
    writer = RecordWriter.create(ran.record, header)
    if case.ledger:
        writer._file = _Disk(writer._file, case.ledger_bytes, forgiving=case.ledger == "full")  # type: ignore[assignment]
    stop = asyncio.Event()
    observers: list[Any] = [Marks(writer, clock), *([_Faulty(case)] if case.observer_fails_at >= 0 else [])]
    task = asyncio.ensure_future(
        audit(
            ran.plan, ledger=writer, observers=observers, clock=clock, stop=stop,
            link_factory=_link_to, senses=_senses(case, net, loop),
        )
    )  # fmt: skip
    _upset(case, loop, clock, stop, task)
    try:
        ran.result = await task
    except asyncio.CancelledError:
        if case.cancel_s < 0:
            raise
    ran.seconds = loop.now_s - START_S
    _look_round(ran, net, loop)
    _close(ran, writer)


def _close(ran: Ran, writer: RecordWriter) -> None:
    if ran.result is None:
        writer.close()
        return
    try:
        writer.seal(complete=ran.result.complete, reason=ran.result.why_incomplete)
        ran.sealed = True
    except RecordError:
        if not ran.case.ledger:
            raise


def _look_round(ran: Ran, net: Net, loop: VirtualLoop) -> None:
    """Whatever the run has left behind."""
    this = asyncio.current_task()
    ran.left += [f"task {task.get_coro()}" for task in asyncio.all_tasks(loop) if task is not this]
    ran.left += [f"open socket to {wire.place}" for wire in net.wires if not wire.is_closing()]


# the world ---------------------------------------------------------------------------------------------


def _settle(case: Case, net: Net, loop: VirtualLoop) -> None:
    """Put the gear at its places."""
    net.names = case.names

    def now() -> Moment:
        since_s = loop.now_s - START_S
        return Moment(case.truth_s + since_s, since_s)

    hosts = hosts_of(case.stage, plant_of(case.stage, str(case.seed)), now) if _has_own(case) else {}
    units = _units(case, hosts, now)
    for number, seat in enumerate(case.seats):
        limits = [_limits(case, tag) for tag in seat.units.values()]
        net.sites[seat.place] = Place(
            net=net,
            dice=random.Random(f"place {case.seed} {number}"),
            mood=seat.mood,
            units={unit: units[tag] for unit, tag in seat.units.items()},
            rtu=seat.rtu,
            serial=seat.serial,
            bus=seat.bus,
            shortest_timeout_s=min(one.timeout_s for one in limits),
            silence_s=silence_s(seat.baud) if seat.serial else 0.0,
            dead=seat.dead,
        )


def _units(case: Case, hosts: Any, now: Callable[[], Moment]) -> dict[str, Unit]:
    """Every device by tag, wherever it sits."""
    found: dict[str, Unit] = {}
    for host in hosts.values():
        for unit in (host.own, *host.units.values()):
            found[unit.tag] = unit
    return found


def _has_own(case: Case) -> bool:
    """The places are those of the case, not of the drawing: everybody is put at an address of its own."""
    for tag, part in case.stage.parts.items():
        case.stage.parts[tag].entry = _alone(part.entry)
    return True


def _alone(entry: Any) -> Any:
    from dataclasses import replace

    return replace(entry, via="")


def _limits(case: Case, tag: str) -> Any:
    return case.lineup.profiles[case.lineup.map.by_tag[tag].profile].limits


class _SimulatedLine(SerialLink):
    """The serial link as it is, but for the port that it opens."""

    __slots__ = ()

    async def _dial(self) -> None:
        await self._loop.create_connection(lambda: self, self._line.port, 0)


def _link_to(target: Target, clock: RunClock, on_stray: StrayHandler) -> Link:
    if target.serial is not None:
        return _SimulatedLine(target.serial, clock, on_stray)
    return link_to(target, clock, on_stray)


def _senses(case: Case, net: Net, loop: VirtualLoop) -> Senses:
    """What other instruments say, from the same world."""

    def right() -> EchoRight:
        return EchoRight.NOT_PERMITTED if case.seed % 3 == 0 else EchoRight.DATAGRAM

    async def echo(host: str, tag: str, clock: RunClock, _: EchoRight) -> Echo:
        sent_ns = clock.now_ns()
        answers = net.dice.random() < 0.8
        await net.pause(0.002 if answers else 1.0)
        return Echo(host, tag, sent_ns, clock.now_ns(), answers)

    async def table() -> dict[str, str]:
        await net.pause(0.01)
        return {seat.place[0]: f"02:00:5e:10:00:{n:02x}" for n, seat in enumerate(case.seats)}

    def laptop(clock: RunClock) -> ReferenceSample:
        now_ns = clock.now_ns()
        return ReferenceSample("laptop", now_ns, now_ns, -1_000_000, 1_000_000, True, "", b"")

    async def ntp(name: ReferenceName, clock: RunClock, _: object) -> tuple[ReferenceSample, ...]:
        return await _asked_ntp(case, net, name, clock)

    del loop
    return Senses(right, echo, table, laptop, ntp)


async def _asked_ntp(
    case: Case, net: Net, name: ReferenceName, clock: RunClock
) -> tuple[ReferenceSample, ...]:
    sent_ns = clock.now_ns()
    if case.ntp == "silent":
        await net.pause(1.0)
        return (ReferenceSample(name.source, sent_ns, clock.now_ns(), 0, 0, False, "no answer", b""),)
    await net.pause(0.004)
    truth_ns = round(case.truth_s * 1e9) + clock.now_ns() + (5_000_000_000 if case.ntp == "false" else 0)
    off_ns = truth_ns - clock.wall_ns()
    return (
        ReferenceSample(
            name.source, sent_ns, clock.now_ns(), off_ns - 4_000_000, off_ns + 4_000_000, True, "", b""
        ),
    )


# what befalls our computer -----------------------------------------------------------------------------


def _upset(
    case: Case, loop: VirtualLoop, clock: VirtualClock, stop: asyncio.Event, task: asyncio.Task[Any]
) -> None:
    def step(seconds: float) -> None:
        clock.offset_ns += round(seconds * 1e9)

    def at(when_s: float, what: Callable[[], object]) -> None:
        loop.bring(START_S + when_s, what)

    if case.stop_s >= 0:
        at(case.stop_s, stop.set)
    if case.cancel_s >= 0:
        at(case.cancel_s, task.cancel)
    for when_s, length_s in case.stalls:
        at(when_s, lambda length_s=length_s: loop.hold_up(length_s))
    for when_s, seconds in case.steps:
        at(when_s, lambda seconds=seconds: step(seconds))


class _Disk:
    """A file on a disk that fills up after so many bytes more; forgiving: space that is given back helps."""

    def __init__(self, file: Any, room: int, *, forgiving: bool) -> None:
        self._file = file
        self._room = room
        self._forgiving = forgiving

    def write(self, data: Any) -> int:
        """Write as much as there is room for. Raises OSError when there is none."""
        room = min(self._room, len(data))
        if not room:
            if self._forgiving:
                self._room = 1_000_000  # the reserve
                self._forgiving = False
            raise OSError(errno.ENOSPC, "No space left on device")
        self._room -= room
        return int(self._file.write(bytes(data[:room])))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


class _Faulty:
    """An observer with a defect: it raises at one exchange, and at nothing else."""

    def __init__(self, case: Case) -> None:
        self._left = case.observer_fails_at

    def exchange(self, _: Exchange) -> None:
        self._left -= 1
        if self._left < 0:
            raise ValueError("a defect of an observer")

    def __getattr__(self, _: str) -> Callable[..., None]:
        return lambda *_, **__: None
