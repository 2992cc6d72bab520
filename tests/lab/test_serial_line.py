"""A whole audit and a whole clock measurement over a serial line: a pty pair with practice units at its end.

The units answer on a thread of the test; the tool runs as people start it, in a process of its own. Request
frames are cut and checked with modbus-tk's CRC, an implementation of its own.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from probe.practice.clockwork import Moment
from probe.practice.fault import Fault
from probe.practice.offline import library
from probe.practice.scenario import small_scenario
from probe.practice.server import Refusal, Unit
from probe.practice.stage import healthy_parts, hosts_of, plant_of, set_stage

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pty")

ROOT = Path(__file__).parents[2]
TAGS = ("52-F4", "52-F5", "MTR-F4")
SLOW_S = 94
# A pty has no parity: Linux refuses to set it there, so two stop bits (MODBUS over Serial Line V1.02, 2.5.1).
MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {{voltage_v: 480, frequency_hz: 60}}
clock: {{reference: "tag:52-F4", tolerance_s: 2, zone: America/Denver}}
devices:
{devices}
"""
DEVICE = """\
  - tag: {tag}
    kind: {kind}
    profile: {profile}
    section: "3"
    address: {{serial: {{port: {port}, baud: 19200, parity: none, stop_bits: 2}}, unit: {unit}}}
"""
#: Drawn on the line, but not there.
MISSING = {"tag": "52-F6", "kind": "trip-unit", "profile": "trip-unit-first", "unit": 6}


class Line:
    """The units of a serial line, answering on a thread. asked: function codes seen, by unit."""

    def __init__(self, units: Mapping[int, Unit]) -> None:
        import tty

        self.bus, self.port = os.openpty()
        tty.setraw(self.bus)
        tty.setraw(self.port)
        self.name = os.ttyname(self.port)
        self.units = units
        self.asked: dict[int, set[int]] = {}
        self.broken: list[bytes] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve)

    def __enter__(self) -> Line:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join(30)
        for end in (self.bus, self.port):
            with contextlib.suppress(OSError):
                os.close(end)

    def _serve(self) -> None:
        held = b""
        while not self._over.is_set():
            if not select.select([self.bus], [], [], 0.05)[0]:
                continue
            held += os.read(self.bus, 512)
            while len(held) >= 2 and len(held) >= (size := 7 if held[1] == 0x2B else 8):
                frame, held = held[:size], held[size:]
                os.write(self.bus, self._answer(frame))

    def _answer(self, frame: bytes) -> bytes:
        unit, pdu = self.units.get(frame[0]), frame[1:-2]
        if framed(frame[0], pdu) != frame:
            self.broken.append(frame)
            return b""
        self.asked.setdefault(frame[0], set()).add(pdu[0])
        return b"" if unit is None else framed(frame[0], _reply(unit, pdu))


def _reply(unit: Unit, pdu: bytes) -> bytes:
    function, start, count = pdu[0], int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    if function not in (3, 4):
        return bytes((function | 0x80, 1))
    try:
        words = unit.registers.read(function, start, count)
    except Refusal as refusal:
        return bytes((function | 0x80, refusal.code))
    data = b"".join(int(word).to_bytes(2, "big") for word in words)
    return bytes((function, len(data))) + data


def framed(unit: int, pdu: bytes) -> bytes:
    """An RTU frame with the checksum of an independent implementation."""
    from modbus_tk.utils import calculate_crc

    frame = bytes((unit,)) + pdu
    return frame + int(calculate_crc(frame)).to_bytes(2, "big")


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Line, Path]]:
    """The line and the map that draws it, one unit more than there is."""
    scenario = small_scenario(TAGS, [Fault(kind="clock-slow", at="52-F5", seconds=SLOW_S)])
    began = time.time()
    stage = set_stage(scenario, healthy_parts(scenario, library().get), began)
    hosts = hosts_of(stage, plant_of(stage, scenario.seed), lambda: Moment(time.time(), time.time() - began))
    with Line(hosts["GW-1"].units) as serial:
        drawn: list[dict[str, Any]] = [MISSING]
        for number, unit in hosts["GW-1"].units.items():
            entry = stage.parts[unit.tag].entry
            drawn.append(
                {"tag": unit.tag, "kind": entry.kind.value, "profile": entry.profile, "unit": number}
            )
        path = tmp_path_factory.mktemp("serial") / "map.yaml"
        devices = "".join(DEVICE.format(port=serial.name, **one) for one in drawn)
        path.write_text(MAP.format(devices=devices), encoding="utf-8")
        yield serial, path


def told(command: str, path: Path, folder: Path, *more: str) -> tuple[int, dict[str, Any]]:
    """Exit code and JSON of a command as people start it."""
    kept = {name: value for name, value in os.environ.items() if name in ("PATH", "SYSTEMROOT", "LANG")}
    done = subprocess.run(
        [sys.executable, "-m", "probe", command, str(path), "--json", "--record", "s.audit.jsonl", *more],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=folder,
        env=kept | {"PYTHONPATH": str(ROOT), "HOME": str(folder), "PYTHONUTF8": "1"},
        timeout=120,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert done.stdout, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    return done.returncode, document


def test_an_audit_over_a_serial_line(line: tuple[Line, Path], tmp_path: Path) -> None:
    serial, path = line
    code, document = told("audit", path, tmp_path)
    found = {(one["check"], one["subject"]): one["verdict"] for one in document["findings"]}
    assert code == 1
    assert document["why_incomplete"].endswith(": 52-F6")
    for tag in TAGS:
        assert found["reach.answers", tag] == "pass"
        assert found["reply.complete", tag] == "pass"
        assert found["values.range", tag] == "pass"
    assert found["reach.answers", "52-F6"] == "fail"
    assert found["clock.skew", "52-F5"] == "fail"
    assert serial.broken == [], "frames that overlap, or run into each other"
    assert set().union(*serial.asked.values()) <= {1, 2, 3, 4, 0x2B}, "read functions alone"


def test_its_record_holds_rtu_frames_and_gives_the_same_verdicts(
    line: tuple[Line, Path], tmp_path: Path
) -> None:
    _, path = line
    told("audit", path, tmp_path, "--only", "52-F4", "--quick")
    lines = [json.loads(one) for one in (tmp_path / "s.audit.jsonl").read_text("utf-8").splitlines()]
    frames = [one["body"] for one in lines if one["kind"] == "exchange" and one["body"]["outcome"] == "data"]
    assert frames
    for body in frames:
        assert body["framing"] == "rtu"
        for frame in (bytes.fromhex(body["request"]), bytes.fromhex(body["response"])):
            assert framed(frame[0], frame[1:-2]) == frame
    done = subprocess.run(
        [sys.executable, "-m", "probe", "record", "judge", "s.audit.jsonl"],
        capture_output=True,
        cwd=tmp_path,
        env={"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), "HOME": str(tmp_path)},
        timeout=120,
        check=False,
    )
    assert b"The same verdicts follow" in done.stdout, done.stderr.decode()


def test_clocks_over_a_serial_line(line: tuple[Line, Path], tmp_path: Path) -> None:
    _, path = line
    code, document = told("clock", path, tmp_path, "--only", "52-F5")
    rows = {row["tag"]: row for row in document["clocks"]}
    assert code == 1
    assert rows["52-F5"]["verdict"] == "fail"
    assert rows["52-F5"]["low_s"] - 0.5 < -SLOW_S < rows["52-F5"]["high_s"] + 0.5
