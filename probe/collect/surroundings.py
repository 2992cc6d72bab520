"""Surroundings: what other instruments say beside the Modbus replies; looked at while devices are asked.

Echo replies (where the system permits them), the system's neighbour table, and the reference clock if it is
this computer or an NTP server. Nothing here holds a device up: an echo that has not come when its device is
judged is missing, which says nothing. Loopback addresses are left out: this computer answers for them.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Awaitable, Callable, Iterable, Sequence
from typing import Any, NamedTuple

from probe.collect.journal import Journal, LedgerBroken
from probe.collect.pacing import SECOND_NS
from probe.collect.roster import Berth
from probe.model.clock import RunClock
from probe.model.evidence import Echo, ReferenceSample
from probe.model.reference_name import ReferenceName
from probe.wire.echo import EchoRight, echo, echo_right
from probe.wire.neighbours import neighbour_of, read_table
from probe.wire.reference import Sampling, read_laptop, read_ntp

ECHOES_AT_ONCE = 64
TABLE_AGE_NS = SECOND_NS
#: At the start two readings of an NTP server, so that one slow answer does not decide; at the end one.
ONCE = Sampling(samples=1)
NOT_PERMITTED = "not permitted"


def outside_host(host: str) -> str:
    """The host in the form that tables use, if it is a numeric address of another computer; else empty."""
    if host.startswith("127."):  # thousands of simulated devices: not worth parsing
        return ""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return ""
    return "" if address.is_loopback else str(address)


async def _table_of_the_system() -> dict[str, str]:
    """The neighbour table, read beside the event loop (some systems run a program for it)."""
    return await asyncio.to_thread(read_table)


async def _ntp(name: ReferenceName, clock: RunClock, sampling: Sampling) -> tuple[ReferenceSample, ...]:
    return await read_ntp(name.place, clock, port=name.port, sampling=sampling, source=name.source)


class Senses(NamedTuple):
    """The instruments; a test hands in its own, so that nothing leaves the computer."""

    echo_right: Callable[[], EchoRight] = echo_right
    echo: Callable[[str, str, RunClock, EchoRight], Awaitable[Echo]] = echo
    table: Callable[[], Awaitable[dict[str, str]]] = _table_of_the_system
    laptop: Callable[[RunClock], ReferenceSample] = read_laptop
    ntp: Callable[[ReferenceName, RunClock, Sampling], Awaitable[tuple[ReferenceSample, ...]]] = _ntp


class Surroundings:
    """Looks around during one run. references: those that the map names, none where no clock is tested."""

    def __init__(self, journal: Journal, senses: Senses, references: Sequence[ReferenceName]) -> None:
        self._journal = journal
        self._senses = senses
        self._clock = journal.clock
        self._references = references
        self._tasks: list[asyncio.Task[None]] = []
        self._reading: asyncio.Task[None] | None = None
        #: Called once when each reference that is read here has been read once, or has been found silent.
        self.on_referenced: Callable[[], None] = lambda: None
        self._first = asyncio.Event()
        self._table: asyncio.Future[dict[str, str]] | None = None
        self._table_ns = 0

    def start(self, berths: Iterable[Berth]) -> None:
        """Begin to look; each host gets one echo request, booked on the first tag of its link."""
        self._reading = asyncio.ensure_future(self._kept(self._read_at_start()))
        hosts = {outside_host(berth.target.host): berth.device.tag for berth in reversed(list(berths))}
        hosts.pop("", None)
        self._tasks = [self._reading]
        if hosts:
            self._tasks.append(asyncio.ensure_future(self._kept(self._echo_all(hosts))))

    async def first(self) -> None:
        """Return when every reference was read once."""
        await self._first.wait()

    async def finish(self) -> None:
        """Read the reference clocks once more, at the end of the run."""
        if self._reading is not None:
            await self._reading
        await self._read_references()

    async def close(self) -> None:
        """End whatever still waits."""
        waiting: list[asyncio.Future[Any]] = [*self._tasks, *([self._table] if self._table else [])]
        for one in waiting:
            one.cancel()
        await asyncio.gather(*waiting, return_exceptions=True)

    async def neighbour(self, berth: Berth) -> None:
        """Keep what the neighbour table holds for a device's host (read at most once a second)."""
        host = outside_host(berth.target.host)
        if not host:
            return
        table = await self._fresh_table()
        if host in table:
            self._journal.neighbour(neighbour_of(host, berth.device.tag, self._clock, table))

    async def _fresh_table(self) -> dict[str, str]:
        now_ns = self._clock.now_ns()
        if self._table is None or (self._table.done() and now_ns - self._table_ns > TABLE_AGE_NS):
            self._table_ns = now_ns
            self._table = asyncio.ensure_future(self._senses.table())
        return await asyncio.shield(self._table)

    async def _kept(self, work: Awaitable[None]) -> None:
        """Do the work; a record that cannot be kept ends the run, nothing else does."""
        try:
            await work
        except LedgerBroken:
            self._journal.on_broken()

    async def _echo_all(self, hosts: dict[str, str]) -> None:
        right = self._senses.echo_right()
        if right in (EchoRight.NOT_PERMITTED, EchoRight.NOT_AVAILABLE):
            self._journal.note(NOT_PERMITTED, f"echo requests (ICMP): {right}; connect times stand in")
            return
        few = asyncio.Semaphore(ECHOES_AT_ONCE)

        async def one(host: str, tag: str) -> None:
            async with few:
                self._journal.echo(await self._senses.echo(host, tag, self._clock, right))

        await asyncio.gather(*(one(host, tag) for host, tag in hosts.items()))

    async def _read_at_start(self) -> None:
        """Every reference once, so that devices can be judged; servers that answered again after a pause."""
        try:
            answered = await self._read_references()
        finally:
            self._first.set()
        self.on_referenced()
        if answered:
            await asyncio.sleep(ONCE.gap_s)
            await asyncio.gather(*(self._read_reference(name) for name in answered))

    async def _read_references(self) -> list[ReferenceName]:
        """Read this computer's clock and the NTP servers; devices of the lineup are read on their links.

        Returns the servers that gave a time.
        """
        usable = await asyncio.gather(*(self._read_reference(name) for name in self._references))
        pairs = zip(self._references, usable, strict=True)
        return [name for name, good in pairs if good and name.kind == "ntp"]

    async def _read_reference(self, name: ReferenceName) -> bool:
        """Read one reference; True if it can be used."""
        samples: tuple[ReferenceSample, ...] = ()
        if name.kind == "laptop":
            samples = (self._senses.laptop(self._clock),)
        elif name.kind == "ntp":
            samples = await self._senses.ntp(name, self._clock, ONCE)
        for sample in samples:
            self._journal.reference(sample)
        return any(sample.usable for sample in samples)
