"""The survey's work around the asking of devices: this computer, listening, sweeps, strangers.

    begun      own interfaces and routes, the frames' way in, listening without a word
    then       the ranges that were confirmed: ARP, PROFINET stations, strangers, services
    meanwhile  the run asks the map's devices who they are, on their links
    ended      who talked to whom, what was dropped

It goes on without what is missing (a right, an interface that vanished) and says once what is lost.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

from probe.collect.journal import Journal, LedgerBroken
from probe.collect.survey.ear import Ear
from probe.collect.survey.ground import Ground
from probe.collect.survey.services import ask_services
from probe.collect.survey.strangers import ask_stranger, mark
from probe.collect.survey.sweep import Pace, Sweeper
from probe.model.evidence import Neighbour
from probe.model.network_evidence import Listening
from probe.model.scope import SurveyScope
from probe.wire.adapters import interface_now
from probe.wire.echo import echo_right
from probe.wire.ethernet import EthernetPort, Refusal, open_ethernet
from probe.wire.interfaces import own_interfaces, own_routes
from probe.wire.neighbours import read_table
from probe.wire.reference import read_laptop

TOPIC = "survey"
#: So many strangers are asked at the same time.
_AT_ONCE = 4

_LOST = (
    "Lost: neighbours, spanning tree, conflicts, who talks to whom, PROFINET stations. What works: the "
    "system's own table, echo, Modbus."
)

#: Work of others within a survey (switches by SNMP): told the journal, ended by cancelling.
Part = Callable[[Journal], Coroutine[Any, Any, None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """One survey, ready to be handed to ``agent.audit`` as ``around``.

    parts: what else is looked at while devices are asked.
    """

    scope: SurveyScope
    ground: Ground
    pace: Pace
    parts: Sequence[Part] = ()
    open_port: Callable[[str], EthernetPort | Refusal] = field(default=open_ethernet)

    @asynccontextmanager
    async def around(self, journal: Journal) -> AsyncIterator[None]:
        """Everything before the devices; while inside, they are asked; then the tallies."""
        work = _Work(self, journal)
        try:
            await work.before()
            async with asyncio.TaskGroup() as tasks:
                for part in self.parts:
                    tasks.create_task(part(journal))
                yield
        finally:
            work.end()


class _Work:
    """The state of one survey."""

    def __init__(self, survey: Survey, journal: Journal) -> None:
        self._survey = survey
        self._scope = survey.scope
        self._ground = survey.ground
        self._journal = journal
        self._clock = journal.clock
        self._port: EthernetPort | None = None
        self._means = "none"
        self._why_deaf = "no interface of this computer is in a subnet of the map"
        interface = survey.ground.interface
        self._ear = Ear(interface, self._clock, self._keep, self._say)
        self._gone = asyncio.Event()
        self._started_ns = self._clock.now_ns()

    def _say(self, text: str) -> None:
        self._journal.note(TOPIC, text)

    def _keep(self, evidence: object) -> None:
        """Keep from a callback of the loop too: a record that cannot be kept ends the run."""
        try:
            self._journal.keep(evidence)  # type: ignore[arg-type]
        except LedgerBroken:
            self._journal.on_broken()

    # before the devices ----------------------------------------------------------------------------------

    async def before(self) -> None:
        """This computer, listening, sweeps, strangers, services."""
        self._laptop()
        self._open()
        await self._listen()
        if not self._scope.speak:
            self._say("Listening only: nothing is asked beside the devices of the map.")
            return
        await self._sweep()
        await self._strangers()
        if self._scope.services:
            await self._services()

    def _laptop(self) -> None:
        for interface in own_interfaces(self._clock.now_ns(), self._ground.interface):
            self._keep(interface)
        for route in own_routes(self._clock.now_ns()):
            self._keep(route)
        self._journal.reference(read_laptop(self._clock))

    def _open(self) -> None:
        """Get the right to hear frames, or say what is lost without it."""
        if not self._ground.interface:
            self._say(f"Frames cannot be heard: {self._why_deaf}.")
            return
        found = self._survey.open_port(self._ground.interface)
        if isinstance(found, Refusal):
            self._why_deaf = found.why
            self._say(f"Frames cannot be heard ({found.why}). {_LOST} To grant it: {found.mend}.")
            return
        self._port = found
        self._means = found.means
        found.listen(self._ear.take, self._lost)

    def _lost(self, why: str) -> None:
        self._why_deaf = f"the interface went away during the survey ({why})"
        self._port_closed()
        self._gone.set()
        name, hardware = self._ground.interface, self._ground.hardware_address
        now = interface_now(hardware, name)
        moved = f" The adapter ({hardware}) is now {now}." if now else ""
        self._say(f"{name}: {why}.{moved} Frames are no longer heard; the survey goes on without.")

    def _port_closed(self) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None

    async def _listen(self) -> None:
        if self._port is None or self._scope.listen_s <= 0:
            return
        name = self._ground.interface
        self._say(f"Listening on {name} for {self._scope.listen_s:g} s; nothing is sent meanwhile.")
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._gone.wait(), self._scope.listen_s)
        frames, senders = self._ear.frames, self._ear.senders
        self._say(f"Heard {frames} frame{'s' * (frames != 1)} of {senders} sender{'s' * (senders != 1)}.")

    # speaking --------------------------------------------------------------------------------------------

    async def _sweep(self) -> None:
        ground, pace = self._ground, self._survey.pace
        addresses = ground.asked
        if not addresses or not ground.interface:
            return
        self._say(
            f"Asking {len(addresses)} addresses on {ground.interface} who has them, "
            f"{pace.per_second:g} a second."
        )
        sweeper = Sweeper(
            ground.interface, ground.own_address, ground.hardware_address, self._clock, self._keep
        )
        if self._port is not None and ground.hardware_address:
            trouble = await sweeper.by_arp(self._port, addresses, pace, self._silent)
            if trouble:
                self._say(f"{ground.interface}: {trouble}. The sweep ended early.")
            elif self._port is not None:
                await sweeper.stations(self._port, self._clock.wall_ns() & 0xFFFF_FFFF)
            return
        await sweeper.by_system(addresses, pace)
        await self._table(addresses)

    def _silent(self) -> tuple[str, ...]:
        """Addresses of the map that nobody has claimed so far."""
        ground = self._ground
        return tuple(h for h in ground.asked if h in ground.known and h not in self._ear.claims)

    async def _table(self, addresses: Sequence[str]) -> None:
        """Keep what the system's neighbour table holds of those asked."""
        table = await asyncio.to_thread(read_table)
        for host in addresses:
            if host in table:
                tag = self._ground.known.get(host, mark(host))
                self._keep(Neighbour(host, tag, self._clock.now_ns(), table[host]))
                self._ear.claims.setdefault(host, set()).add(table[host])

    async def _strangers(self) -> None:
        """Ask every stranger in a confirmed range who it is."""
        found = sorted(filter(self._ground.is_stranger, self._ear.claims), key=_in_order)
        if not found:
            return
        self._say(
            f"{len(found)} address{'es' if len(found) != 1 else ''} that the map does not hold: asking."
        )
        right, few = echo_right(), asyncio.Semaphore(_AT_ONCE)

        async def one(address: str) -> None:
            async with few:
                await ask_stranger(address, self._clock, self._keep, right, self._ground.own_address or None)

        async with asyncio.TaskGroup() as tasks:
            for address in found:
                tasks.create_task(one(address))
                await asyncio.sleep(self._survey.pace.gap_s)

    async def _services(self) -> None:
        """Ask the map's devices and the strangers for the services of the list."""
        strangers = filter(self._ground.is_stranger, self._ear.claims)
        hosts = sorted({*self._ground.known, *strangers} - self._ground.own, key=_in_order)
        self._say(f"Asking {len(hosts)} hosts for plaintext services: ftp, telnet, http, snmp.")
        few = asyncio.Semaphore(_AT_ONCE)

        async def one(address: str) -> None:
            async with few:
                await ask_services(address, self._clock, self._keep)

        async with asyncio.TaskGroup() as tasks:
            for address in hosts:
                tasks.create_task(one(address))
                await asyncio.sleep(self._survey.pace.gap_s)

    # the end ---------------------------------------------------------------------------------------------

    def end(self) -> None:
        """Stop listening; keep what was counted. Never raises: the run may be ending for another reason."""
        heard = self._means != "none"
        dropped = self._port.dropped() if self._port is not None else 0
        self._port_closed()
        with contextlib.suppress(LedgerBroken):
            if heard:
                for evidence in self._ear.evidence(dropped, self._means, self._why_left()):
                    self._journal.keep(evidence)
            else:
                now_ns, name = self._clock.now_ns(), self._ground.interface
                deaf = Listening(name, self._started_ns, now_ns, "none", self._why_deaf, 0, 0, 0, 0, 0, 0)
                self._journal.keep(deaf)

    def _why_left(self) -> str:
        return self._why_deaf if "went away" in self._why_deaf else ""


def _in_order(address: str) -> tuple[int, ...]:
    return tuple(int(part) for part in address.split("."))
