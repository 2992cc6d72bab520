"""Whole audits over real sockets on loopback: a map and a profile in files, a record in a file, the judge."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
from collections.abc import Awaitable, Callable, Iterable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from probe.collect.agent import audit, prepare
from probe.collect.events import AuditResult
from probe.collect.inputs import open_lineup
from probe.collect.pacing import Pacing
from probe.model.evidence import Exchange
from probe.model.finding import Verdict
from probe.model.scope import Scope
from probe.record.header import Header
from probe.record.verify import Verification, verify
from probe.record.writer import RecordWriter
from probe.wire.system_clock import SystemClock

#: Three registers at 107 with the values of the standard's own example.
#: Source: MODBUS Application Protocol Specification V1.1b3, 6.3.
PROFILE = """
format: buswitness-profile/1
name: three-registers
title: Three registers of an example
kind: meter
addressing: zero_based
area: holding
order: ABCD
limits: {registers: 100, timeout_s: 0.4, first_timeout_s: 0.4, retries: 1}
proof:
  - {point: first, equals: 555}
points:
  first: {title: First, address: 107, type: u16, unit: none, quantity: counter}
  second: {title: Second, address: 108, type: u16, unit: none, quantity: counter}
  third: {title: Third, address: 109, type: u16, unit: none, quantity: counter, range: [0, 200]}
  bank: {title: Far away, address: 190, type: u16, unit: none, quantity: counter}
"""

MAP = """
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
tolerances: {reply_ms: 400}
devices:
"""

#: For tests that reconnect: the budget's times in milliseconds, its rules unchanged.
HASTY = Pacing(connect_interval_s=0.02, connect_floor_s=0.01, backoff_s=0.01, busy_wait_s=0.01)

Reply = bytes | str | None  # a frame to send, "close", "reset", or None: nothing
Behaviour = Callable[[bytes, int, int], Awaitable[Reply] | Reply]


class Gear:
    """A Modbus TCP server of registers; behaviour(request frame, its number, connection's number)."""

    def __init__(self, behaviour: Behaviour | None = None, most: int = 1000) -> None:
        self.behaviour = behaviour or (lambda frame, *_: data(frame))
        self.most = most  # sockets at a time; further ones are closed at once
        self.requests: list[bytes] = []
        self.ends: list[str] = []
        self.connections = 0
        self.open = self.most_open = 0
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Gear:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.connections += 1
        self.open += 1
        self.most_open = max(self.most_open, self.open)
        try:
            if self.open <= self.most:
                await self._converse(reader, writer, self.connections)
        except (OSError, asyncio.IncompleteReadError) as error:
            self.ends.append("FIN" if isinstance(error, asyncio.IncompleteReadError) else "RST")
        finally:
            self.open -= 1
            self._tasks.discard(task)
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    async def _converse(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, connection: int
    ) -> None:
        while True:
            head = await reader.readexactly(6)
            frame = head + await reader.readexactly(struct.unpack(">H", head[4:])[0])
            self.requests.append(frame)
            reply = self.behaviour(frame, len(self.requests), connection)
            if isinstance(reply, Awaitable):
                reply = await reply
            if reply == "reset":
                linger = struct.pack("ii", 1, 0)
                writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
                return
            if reply == "close":
                return
            if reply:
                assert isinstance(reply, bytes)
                writer.write(reply)
                await writer.drain()

    def units(self) -> list[int]:
        """Units asked, in order."""
        return [frame[6] for frame in self.requests]


def framed(request: bytes, pdu: bytes) -> bytes:
    """A reply frame to a request."""
    return request[:2] + struct.pack(">HHB", 0, 1 + len(pdu), request[6]) + pdu


def data(request: bytes) -> bytes:
    """What a healthy device answers: 555, 0, 100 at address 107, zeros elsewhere; refuses other functions."""
    if request[7] != 3:
        return refuse(request, 1)
    start, count = struct.unpack(">HH", request[8:12])
    values = [{107: 555, 109: 100}.get(address, 0) for address in range(start, start + count)]
    return framed(request, bytes((3, 2 * count)) + struct.pack(f">{count}H", *values))


def refuse(request: bytes, code: int) -> bytes:
    """An exception reply."""
    return framed(request, bytes((request[7] | 0x80, code)))


class Watcher:
    """An observer that remembers exchanges."""

    def __init__(self) -> None:
        self.exchanges: list[Exchange] = []
        self.on_exchange: Callable[[Exchange], None] = lambda _: None

    def run_started(self, plan: object) -> None: ...

    def phase(self, tag: str, phase: object) -> None: ...

    def exchange(self, exchange: Exchange) -> None:
        self.exchanges.append(exchange)
        self.on_exchange(exchange)

    def judged(self, tag: str, findings: object, *, final: bool) -> None: ...

    def note(self, text: str) -> None: ...

    def run_finished(self, result: object) -> None: ...


class Audited:
    """A result with its record verified."""

    def __init__(self, result: AuditResult, found: Verification, watcher: Watcher) -> None:
        self.result = result
        self.found = found
        self.watcher = watcher

    def verdict(self, check: str, tag: str) -> Verdict | None:
        """The verdict of a check on a tag, None if it gave none."""
        found = [f.verdict for f in self.result.findings if f.check == check and f.subject == tag]
        return found[0] if found else None

    def of(self, tag: str) -> list[Exchange]:
        """The exchanges of a tag."""
        return [one for one in self.watcher.exchanges if one.tag == tag]


class Site:
    """Writes map and profile, runs the audit, verifies the record."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.watcher = Watcher()
        self.stop = asyncio.Event()
        self.pacing = HASTY

    async def audit(self, devices: Iterable[str], *, profile: str = PROFILE, **scope: Any) -> Audited:
        """devices: lines of the map, each ``tag: ..., address: ...``; GW is a gateway, all others meters."""
        profiles = self.folder / "profiles"
        profiles.mkdir()
        (profiles / "three-registers.yaml").write_text(profile)
        gate = profile.replace("three-registers", "gate").replace("kind: meter", "kind: gateway")
        (profiles / "gate.yaml").write_text(gate)
        kinds = {True: "kind: gateway, profile: gate", False: "kind: meter, profile: three-registers"}
        lines = [f"  - {{{one}, section: A, {kinds['tag: GW' in one]}}}\n" for one in devices]
        path = self.folder / "map.yaml"
        path.write_text(MAP + "".join(lines))
        lineup, _ = open_lineup(path, [self.folder / "profiles"])
        the_scope = Scope(tags=tuple(lineup.map.by_tag), **scope)
        clock = SystemClock()
        header = Header.of(lineup, the_scope, tool_version="0", started_wall_ns=clock.wall_ns())
        writer = RecordWriter.create(self.folder / "run.audit.jsonl", header)
        try:
            result = await audit(
                prepare(lineup, the_scope), ledger=writer, observers=[self.watcher], clock=clock,
                stop=self.stop, pacing=self.pacing,
            )  # fmt: skip
            writer.seal(complete=result.complete, reason=result.why_incomplete)
        finally:
            writer.close()
        return Audited(result, verify(writer.path), self.watcher)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return Site(tmp_path)


@pytest.fixture
def gear() -> SimpleNamespace:
    """The makers of this file, for tests (which cannot import a conftest)."""
    return SimpleNamespace(Gear=Gear, data=data, refuse=refuse, framed=framed, PROFILE=PROFILE)
