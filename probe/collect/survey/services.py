"""Plaintext services, asked only with ``--services``: a short named list, one after the other.

TCP services are connected to, what they say first is kept, and the connection is closed in good order.
SNMP is asked one question (sysObjectID) with a community name that every new device has; the name itself
and the answer, which repeats it, are not kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import NamedTuple

from probe.collect.survey.ear import Keep
from probe.model.clock import RunClock
from probe.model.network_evidence import ServiceOutcome, ServiceProbe

_WAIT_S = 1.5
_MOST_SAID = 200
#: GetRequest of SNMP version 2c with the customary name, for 1.3.6.1.2.1.1.2.0 (sysObjectID).
#: Source: RFC 1901, 3 and RFC 3416, 3 (from memory; read back by an SNMP library in tests).
DEFAULT_QUESTION = bytes.fromhex(
    "302702010104067075626c6963a01a020201f5020100020100300e300c06082b060102010102000500"
)


class Service(NamedTuple):
    """One entry of the list. speaks: it says something by itself once connected."""

    name: str
    port: int
    speaks: bool = False


TELNET, HTTP, FTP = Service("telnet", 23, speaks=True), Service("http", 80), Service("ftp", 21, speaks=True)
SNMP = Service("snmp with a default community name", 161)
SERVICES = (FTP, TELNET, HTTP, SNMP)


async def ask_services(host: str, clock: RunClock, keep: Keep) -> None:
    """Ask a host for every service of the list, one after the other."""
    for service in SERVICES:
        ask = _by_udp if service is SNMP else _by_tcp
        keep(await ask(host, service, clock))


async def _by_tcp(host: str, service: Service, clock: RunClock) -> ServiceProbe:
    sent_ns, said = clock.now_ns(), b""
    try:
        reader, writer = await asyncio.wait_for(asyncio.open_connection(host, service.port), _WAIT_S)
    except ConnectionRefusedError:
        outcome = ServiceOutcome.REFUSED
    except TimeoutError:
        outcome = ServiceOutcome.NO_ANSWER
    except OSError:
        outcome = ServiceOutcome.FAILED
    else:
        outcome = ServiceOutcome.OFFERED
        if service.speaks:
            with contextlib.suppress(TimeoutError, OSError):
                said = await asyncio.wait_for(reader.read(_MOST_SAID), _WAIT_S)
        writer.close()
        with contextlib.suppress(OSError, TimeoutError):
            await asyncio.wait_for(writer.wait_closed(), _WAIT_S)
    return ServiceProbe(host, service.port, service.name, sent_ns, clock.now_ns(), outcome, said)


class _Answer(asyncio.DatagramProtocol):
    """Waits for one datagram."""

    def __init__(self) -> None:
        self.came: asyncio.Future[ServiceOutcome] = asyncio.get_running_loop().create_future()

    def datagram_received(self, data: bytes, addr: object) -> None:
        self._settle(ServiceOutcome.OFFERED if data[:1] == b"\x30" else ServiceOutcome.FAILED)

    def error_received(self, exc: Exception) -> None:
        refused = isinstance(exc, ConnectionRefusedError)
        self._settle(ServiceOutcome.REFUSED if refused else ServiceOutcome.FAILED)

    def _settle(self, outcome: ServiceOutcome) -> None:
        if not self.came.done():
            self.came.set_result(outcome)


async def _by_udp(host: str, service: Service, clock: RunClock) -> ServiceProbe:
    loop = asyncio.get_running_loop()
    sent_ns = clock.now_ns()
    try:
        transport, answer = await loop.create_datagram_endpoint(
            _Answer, remote_addr=(host, service.port), family=socket.AF_INET
        )
    except OSError:
        return ServiceProbe(host, service.port, service.name, sent_ns, sent_ns, ServiceOutcome.FAILED, b"")
    try:
        transport.sendto(DEFAULT_QUESTION)
        outcome = await asyncio.wait_for(answer.came, _WAIT_S)
    except TimeoutError:
        outcome = ServiceOutcome.NO_ANSWER
    finally:
        transport.close()
    return ServiceProbe(host, service.port, service.name, sent_ns, clock.now_ns(), outcome, b"")
