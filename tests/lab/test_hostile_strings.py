"""Devices whose texts are hostile: from the wire through decoding, findings, screen, JSON and record.

What drives a terminal, hides its meaning or is markup must do nothing anywhere, the raw bytes stay in the
record, and the audit goes on (fault D26 of the project's fault matrix). The devices are small servers of
this test that answer every read.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from probe.model.evidence import Exchange, Outcome
from probe.record.content import load
from probe.record.verify import verify

REPO = Path(__file__).parents[2]
STRINGS = {
    "ESC": b"\x1b[2J\x1b]0;gone\x07",
    "NUL": b"QM\x00\x00hidden\x00\x01",
    "MARKUP": b"[red]ok[/red]",
    "BIDI": "ok\u202ekcolb\u2066".encode(),
    "LATIN": b"Z\xe4hler 5",
    "C1": b"\x9b31m\x85x\x90q\x9c",
    "LINES": b"a\r\nPASS\x0b\x0c",
    "WIDE": "\U0001f602\u200b\ufeff\u2028".encode(),
}
MAP_HEAD = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
"""
MAP_DEVICE = """\
  - tag: {tag}
    kind: meter
    profile: meter-float
    section: Main
    address: {{host: 127.0.0.1, port: {port}, unit: 1}}
    identity: {{maker: Quellmark, serial: QM-0001}}
"""


class HostileMeter:
    """Answers each read with its text over and over, and identifies itself with it."""

    def __init__(self, text: bytes) -> None:
        self.text = text

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                head = await reader.readexactly(6)
                body = await reader.readexactly(int.from_bytes(head[4:6], "big"))
                reply = body[:1] + self.answer(body[1:])
                writer.write(head[:4] + len(reply).to_bytes(2, "big") + reply)
                await writer.drain()
        writer.close()

    def answer(self, pdu: bytes) -> bytes:
        if pdu[0] == 0x2B:
            objects = b"".join(bytes((number, len(self.text))) + self.text for number in range(3))
            return bytes((0x2B, 0x0E, pdu[2], 0x81, 0, 0, 3)) + objects
        size = 2 * int.from_bytes(pdu[3:5], "big")
        return bytes((pdu[0], size)) + (self.text * size)[:size]


@contextlib.asynccontextmanager
async def hostile_lineup(folder: Path) -> AsyncIterator[Path]:
    """One meter a string, all up on loopback; the path of their map."""
    async with contextlib.AsyncExitStack() as stack:
        text = MAP_HEAD
        for tag, hostile in STRINGS.items():
            server = await asyncio.start_server(HostileMeter(hostile).serve, "127.0.0.1", 0)
            stack.push_async_callback(server.wait_closed)
            stack.callback(server.close)
            text += MAP_DEVICE.format(tag=tag, port=server.sockets[0].getsockname()[1])
        path = folder / "map.yaml"
        path.write_text(text, encoding="utf-8")
        yield path


async def _program(folder: Path, *arguments: str) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of the real program."""
    surroundings = {**os.environ, "PYTHONUTF8": "1", "COLUMNS": "100"}
    program = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "probe",
        *arguments,
        cwd=REPO,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=surroundings,
    )
    out, error = await asyncio.wait_for(program.communicate(), 120)
    return program.returncode or 0, out.decode(), error.decode()


def _wild(text: str) -> set[str]:
    """Signs of a text that could act: all that are not printable, but line ends."""
    return {sign for sign in text.replace(os.linesep, "\n") if sign != "\n" and not sign.isprintable()}


@pytest.fixture(scope="module")
def audited(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[int, str, str]]:
    """A quick audit of the hostile lineup by the real program: its record, and what it printed."""
    folder = tmp_path_factory.mktemp("hostile")
    record = folder / "hostile.audit.jsonl"

    async def run() -> tuple[int, str, str]:
        async with hostile_lineup(folder) as path:
            return await _program(folder, "audit", str(path), "--quick", "--record", str(record))

    return record, asyncio.run(run())


def test_the_audit_ends_in_good_order_and_prints_nothing_wild(
    audited: tuple[Path, tuple[int, str, str]],
) -> None:
    _, (code, out, error) = audited
    assert code in (1, 3), error
    assert "Traceback" not in error
    assert _wild(out) == _wild(error) == set()
    for tag in STRINGS:
        assert tag in out


def test_what_the_device_said_is_shown_as_plain_signs(audited: tuple[Path, tuple[int, str, str]]) -> None:
    _, (_, out, _) = audited
    text = " ".join(out.split())
    assert "[red]ok[/red]" in text, "markup of a terminal library is shown, not obeyed"
    assert "Zähler 5" in text
    assert "\\x1b[2J" in text, "an escape sign is spelled out"
    assert "\\u202e" in text


def test_the_record_verifies_and_keeps_the_raw_bytes(audited: tuple[Path, tuple[int, str, str]]) -> None:
    record, _ = audited
    assert verify(record).holds
    kept: dict[str, bytes] = dict.fromkeys(STRINGS, b"")
    for _, exchange in load(record).evidence[Exchange]:
        if exchange.outcome is Outcome.DATA:
            kept[exchange.tag] += exchange.response
    for tag, hostile in STRINGS.items():
        assert hostile in kept[tag]


def test_no_finding_or_cause_holds_a_sign_that_acts(audited: tuple[Path, tuple[int, str, str]]) -> None:
    """Cleaned where it was decoded: every face that comes later gets harmless text."""
    content = load(audited[0], with_evidence=False)
    for finding in content.findings:
        for text in (finding.title, finding.observed, finding.expected, finding.advice):
            assert _wild(text) == set(), finding
    for cause in content.causes:
        assert _wild(cause.statement + cause.fix) == set()


@pytest.mark.parametrize("tag", STRINGS)
async def test_the_record_is_shown_without_a_wild_sign(
    audited: tuple[Path, tuple[int, str, str]], tmp_path: Path, tag: str
) -> None:
    record, _ = audited
    finding = next(
        one for one in load(record, with_evidence=False).findings if one.subject == tag and one.evidence
    )
    for arguments in (("--tag", tag), ("--finding", finding.id)):
        code, out, error = await _program(tmp_path, "record", "show", str(record), *arguments)
        assert (code, error) == (0, "")
        assert _wild(out) == set()


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals of this kind are POSIX only")
async def test_the_live_picture_passes_nothing_on_to_the_terminal(tmp_path: Path) -> None:
    async with hostile_lineup(tmp_path) as path:
        written = await asyncio.to_thread(_on_a_terminal, tmp_path, "audit", str(path), "--quick")
    text = written.decode()
    assert "MSB-1" in text
    for wild in ("\x1b]0;gone", "\x07", "\x9b", "\x90", "\u202e", "\u2066", "\ufeff", "\x00"):
        assert wild not in text


def _on_a_terminal(folder: Path, *arguments: str) -> bytes:
    """All that the real program writes to a pseudo-terminal until it ends."""
    import pty

    master, slave = pty.openpty()
    surroundings = {**os.environ, "TERM": "xterm-256color", "PYTHONUTF8": "1", "PYTHONPATH": str(REPO)}
    program = subprocess.Popen(
        [sys.executable, "-m", "probe", *arguments],
        cwd=folder,
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env=surroundings,
    )
    os.close(slave)
    written = b""
    with contextlib.suppress(OSError):  # EIO: the program has ended and nobody holds the other side
        while part := os.read(master, 65_536):
            written += part
    os.close(master)
    program.wait(30)
    return written


async def test_machine_text_is_plain_ascii(
    audited: tuple[Path, tuple[int, str, str]], tmp_path: Path
) -> None:
    code, out, _ = await _program(tmp_path, "record", "show", str(audited[0]), "--json")
    assert code == 0
    assert out.isascii()
    assert json.loads(out)["format"] == "buswitness-record-show/1"
