"""A small lineup on loopback and the real program started against it.

The server speaks just enough Modbus TCP for a meter (functions 3 and, refused, 43), by its own hand, so
that the program is not tested against its own codec.
"""

from __future__ import annotations

import os
import socketserver
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

PATIENCE_S = 60

PROFILE = """\
format: buswitness-profile/1
name: desk-meter
title: Desk meter
kind: meter
addressing: zero_based
area: holding
order: ABCD
identity: {points: {model: model_name}, expect: {model: DM-1}}
limits: {registers: 20, sockets: 1, timeout_s: 2.0, first_timeout_s: 2.0, retries: 1}
proof:
  - {point: map_proof, equals: 1234}
freshness: {points: [heartbeat], after_s: 0.5}
points:
  map_proof: {title: Register map proof, address: 0, type: u16, unit: none, quantity: identity}
  heartbeat: {title: Heartbeat, address: 1, type: u16, unit: none, quantity: counter, moves: true}
  voltage_ab: {title: Voltage A to B, address: 2, type: u16, scale: 0.1, unit: V, quantity: voltage_line, phase: ab, range: [0, 760]}
  model_name: {title: Model, address: 3, type: text, count: 2, unit: none, quantity: identity}
"""  # noqa: E501


class MeterServer(socketserver.ThreadingTCPServer):
    """Answers as a desk meter on a free port of 127.0.0.1, each reply ``delay_s`` late."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, *, delay_s: float = 0.0, volts: float = 480.0) -> None:
        super().__init__(("127.0.0.1", 0), _Talk)
        self.delay_s = delay_s
        self.volts = volts
        self.beats = 0

    def registers(self) -> list[int]:
        """The image: proof, a heartbeat that moves with every request, a voltage."""
        self.beats += 1
        return [1234, self.beats & 0xFFFF, round(self.volts * 10), 0x444D, 0x2D31]  # "DM-1"


class _Talk(socketserver.BaseRequestHandler):
    server: MeterServer

    def handle(self) -> None:
        while head := self._read(7):
            transaction, _, length, unit = struct.unpack(">HHHB", head)
            pdu = self._read(length - 1)
            time.sleep(self.server.delay_s)
            answer = self._answer(pdu)
            self.request.sendall(struct.pack(">HHHB", transaction, 0, len(answer) + 1, unit) + answer)

    def _read(self, size: int) -> bytes:
        data = b""
        while len(data) < size:
            part = self.request.recv(size - len(data))
            if not part:
                return b""
            data += part
        return data

    def _answer(self, pdu: bytes) -> bytes:
        """MODBUS Application Protocol Specification V1.1b3, 6.3 (read) and 7 (exception 1)."""
        if pdu[0] != 3:
            return bytes((pdu[0] | 0x80, 1))
        start, count = struct.unpack(">HH", pdu[1:5])
        values = self.server.registers()[start : start + count]
        return bytes((3, 2 * count)) + struct.pack(f">{count}H", *values)


@pytest.fixture
def meters(tmp_path: Path) -> Iterator[Callable[..., SimpleNamespace]]:
    """Starts meters and writes their map: ``meters(3, delay_s=0.2)``; stopped after the test."""
    servers: list[MeterServer] = []

    def start(count: int, **manner: float) -> SimpleNamespace:
        (tmp_path / "types").mkdir(exist_ok=True)
        (tmp_path / "types" / "desk-meter.yaml").write_text(PROFILE, encoding="utf-8")
        for _ in range(count):
            server = MeterServer(**manner)
            threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
            servers.append(server)
        path = tmp_path / "desk.yaml"
        path.write_text(map_text([server.server_address[1] for server in servers]), encoding="utf-8")
        return SimpleNamespace(map=path, profiles=tmp_path / "types", folder=tmp_path, servers=servers)

    yield start
    for server in servers:
        server.shutdown()
        server.server_close()


def map_text(ports: list[int]) -> str:
    """A map of desk meters at these ports, four a section."""
    lines = [
        "format: buswitness-map/1",
        "site: Tarn Hollow Water Works",
        "lineup: DESK",
        "system: {voltage_v: 480, frequency_hz: 60}",
        "devices:",
    ]
    for number, port in enumerate(ports):
        lines.append(
            f'  - {{tag: PM-{number + 1}, kind: meter, profile: desk-meter, section: "{number // 4 + 1}", '
            f"address: {{host: 127.0.0.1, port: {port}}}}}"
        )
    return "\n".join(lines) + "\n"


@pytest.fixture
def program(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[bytes]]:
    """Runs the real program in ``tmp_path``; named arguments are set in its environment."""

    def run(*arguments: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            [sys.executable, "-m", "probe", *map(str, arguments)],
            capture_output=True,
            cwd=tmp_path,
            env=environment_of(tmp_path) | environment,
            timeout=PATIENCE_S,
            check=False,
            stdin=subprocess.DEVNULL,
        )

    return run


@pytest.fixture
def surroundings(tmp_path: Path) -> dict[str, str]:
    """The environment that ``program`` uses."""
    return environment_of(tmp_path)


def environment_of(folder: Path) -> dict[str, str]:
    """An environment without the developer's own settings; logs go below the folder."""
    kept = {name: value for name, value in os.environ.items() if name in ("PATH", "SYSTEMROOT", "LANG")}
    root = Path(__file__).parents[3]
    return kept | {"PYTHONPATH": str(root), "HOME": str(folder), "XDG_STATE_HOME": str(folder / "state")}
