"""Sweeps: asks a list of IPv4 addresses who has them, gently, each once and the map's silent ones again.

With the right to raw frames by ARP requests of our own, which disturb nobody but the one asked. Without it
by a datagram without content to a port that nobody uses (discard, RFC 863, from memory): the system then asks
by ARP itself, and its neighbour table tells who answered.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
from collections.abc import Callable, Collection, Sequence
from typing import NamedTuple

from probe.collect.survey.ear import Keep
from probe.model.clock import RunClock
from probe.model.frames import arp, dcp
from probe.model.network_evidence import Frame, Sweep
from probe.wire.ethernet import EthernetPort

#: How long the last one asked has to answer.
ANSWER_S = 1.0
_DISCARD_PORT = 9
#: Stations answer a DCP request within this time: 50 x 10 ms as asked, and some more.
STATIONS_S = 1.0


def runs_of(addresses: Sequence[str]) -> list[list[str]]:
    """The addresses, in rising order, as runs without gaps."""
    runs: list[list[str]] = []
    before = -1
    for host in addresses:
        number = int(ipaddress.IPv4Address(host))
        if number != before + 1 or not runs:
            runs.append([])
        runs[-1].append(host)
        before = number
    return runs


class Pace(NamedTuple):
    """How gently: addresses a second."""

    per_second: float

    @property
    def gap_s(self) -> float:
        """Time from one address to the next."""
        return 1.0 / self.per_second


class Sweeper:
    """Asks on one interface. own: our address there, 0.0.0.0 where we have none in the subnet."""

    def __init__(self, interface: str, own: str, hardware: str, clock: RunClock, keep: Keep) -> None:
        self._interface = interface
        self._own = own or "0.0.0.0"  # a probe: asks without telling an address (RFC 5227, 2.1.1)
        self._hardware = hardware
        self._clock = clock
        self._keep = keep

    async def by_arp(
        self,
        port: EthernetPort,
        addresses: Sequence[str],
        pace: Pace,
        again: Callable[[], Collection[str]],
    ) -> str:
        """Ask all by frames of our own; why it stopped early, empty if it did not.

        again: which addresses to ask once more, for nobody answered and somebody should.
        """
        trouble = await self._each(addresses, pace, "arp", lambda host: self._ask(port, host))
        if not trouble:
            await asyncio.sleep(ANSWER_S)
            silent = again()
            for host in silent:
                self._ask(port, host)
                await asyncio.sleep(pace.gap_s)
            if silent:
                await asyncio.sleep(ANSWER_S)
        return trouble

    def _ask(self, port: EthernetPort, host: str) -> str:
        return port.send(arp.request(self._hardware, self._own, host))

    async def by_system(self, addresses: Sequence[str], pace: Pace) -> str:
        """Have the system ask all; why it stopped early, empty if it did not."""
        local = None if self._own == "0.0.0.0" else self._own
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as datagrams:
            datagrams.setblocking(False)
            if local:
                with contextlib.suppress(OSError):
                    datagrams.bind((local, 0))

            def nudge(host: str) -> str:
                with contextlib.suppress(OSError):  # no route, unreachable: no answer either
                    datagrams.sendto(b"", (host, _DISCARD_PORT))
                return ""

            trouble = await self._each(addresses, pace, "system", nudge)
        await asyncio.sleep(ANSWER_S)
        return trouble

    async def _each(self, addresses: Sequence[str], pace: Pace, means: str, ask: Callable[[str], str]) -> str:
        """Ask one after the other; what was asked is kept run by run, also when it is cut off."""
        for run in runs_of(addresses):
            started_ns, asked = self._clock.now_ns(), 0
            try:
                for host in run:
                    if trouble := ask(host):
                        return trouble
                    asked += 1
                    await asyncio.sleep(pace.gap_s)
            finally:
                if asked:
                    now_ns = self._clock.now_ns()
                    self._keep(
                        Sweep(self._interface, means, run[0], run[asked - 1], started_ns, now_ns, asked)
                    )
        return ""

    async def stations(self, port: EthernetPort, xid: int) -> None:
        """Ask all PROFINET stations who they are; their answers come in by the ear."""
        frame = dcp.identify_request(self._hardware, xid)
        at_ns = self._clock.now_ns()
        if not port.send(frame):
            self._keep(Frame(self._interface, at_ns, sent=True, length=len(frame), data=frame))
            self._keep(Sweep(self._interface, "dcp", "", "", at_ns, self._clock.now_ns(), 1))
        await asyncio.sleep(STATIONS_S)
