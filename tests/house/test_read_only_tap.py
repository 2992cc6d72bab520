"""The tap that watches the read-only promise in all tests notices a write, here and in other processes."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
import read_only_wire
from read_only_wire import CLOCK_WRITES, READS, look

ROOT = Path(__file__).parents[2]
#: The link broken on purpose: each read of holding registers leaves as a write of one register.
BROKEN = """
import asyncio
from probe.model.device_map import Target
from probe.model.evidence import Framing, Purpose
from probe.model.profile import Quirks
from probe.wire.link import Request
from probe.wire.system_clock import SystemClock
from probe.wire.tcp_link import TcpLink

shape = TcpLink._shape
def broken(unit, pdu):
    tail, expect, size = shape(unit, pdu)
    return tail[:5] + bytes([6]) + tail[6:], expect, size
TcpLink._shape = staticmethod(broken)

async def main():
    server = await asyncio.start_server(lambda reader, writer: writer.close(), "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    link = TcpLink(Target("127.0.0.1", port, 255, Framing.MBAP, None, ""), SystemClock(), print)
    await link.open(5.0)
    pdu = bytes([3, 0, 0, 0, 1])
    await link.exchange(Request("Q", Purpose.POLL, 0, 1, 255, pdu, 1.0), Quirks())
    await link.close()
    server.close()

asyncio.run(main())
"""


@pytest.mark.parametrize(
    ("frame", "rtu"),
    [
        ("00 01 00 00 00 06 ff 06 00 00 00 01", False),
        ("00 01 00 00 00 06 ff 05 00 00 ff 00", False),
        ("01 10 00 00 00 01 02 00 00 a6 50", True),
        ("00 01 00 00 00 05 ff 2b 0d 00 00", False),  # 2B, but not Read Device Identification
        ("00 01 00 00 00 06 ff 03 00 00 00 01 00 02 00 00 00 06 ff 06 00 00 00 01", False),  # two in one
    ],
)
def test_the_tap_notices(monkeypatch: pytest.MonkeyPatch, frame: str, rtu: bool) -> None:
    kept: list[str] = []
    monkeypatch.setattr(read_only_wire, "forbidden", kept)
    monkeypatch.setattr(read_only_wire, "counted", Counter())
    monkeypatch.delenv(read_only_wire.FOLDER)
    look(bytes.fromhex("00 01 00 00 00 06 ff 03 00 00 00 01"), rtu=False, may=READS)
    look(bytes.fromhex("01 06 00 00 00 01"), rtu=True, may=READS | CLOCK_WRITES)
    assert not kept
    look(bytes.fromhex(frame), rtu=rtu, may=READS)
    assert len(kept) == 1


def test_the_tap_is_in_processes_that_a_test_starts(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(read_only_wire.FOLDER, str(tmp_path))
    subprocess.run([sys.executable, "-c", BROKEN], cwd=ROOT, check=True, timeout=60)
    (told,) = tmp_path.glob("forbidden-*")
    assert "00 06 ff 06" in told.read_text("utf-8")
    assert list(tmp_path.glob("counted-*"))
