"""Captures taken in a laboratory: real frames of two computers, read back and held against what was sent."""

from __future__ import annotations

import hashlib
import json
import os
import pty
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

#: A Modbus server of few words, and a master that asks it; both of the standard library.
SERVER = """
import socket, struct
server = socket.create_server(("10.77.2.11", 502))
while True:
    peer, _ = server.accept()
    with peer:
        while head := peer.recv(12, socket.MSG_WAITALL):
            tid, _, _, unit, function = struct.unpack(">HHHBB", head[:8])
            peer.sendall(struct.pack(">HHHBBBH", tid, 0, 5, unit, function, 2, 7))
"""
MASTER = """
import socket, struct, sys
with socket.create_connection(("10.77.2.11", 502), 20) as link:
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    for number in range(int(sys.argv[1])):
        link.sendall(struct.pack(">HHHBBHH", number, 0, 6, 1, 3, 100, 1))
        assert len(link.recv(11, socket.MSG_WAITALL)) == 11
"""


class Bench:
    """Two computers on one cable: the laptop that records and asks, and the device that answers."""

    def __init__(self, lab_net: Any, wait_for: Any) -> None:
        self.wait_for = wait_for
        self.laptop, self.relay = lab_net.space("laptop"), lab_net.space("relay")
        lab_net.cable(self.laptop, "eth0", self.relay, "eth0")
        self.laptop.ip("addr", "add", "10.77.2.9/24", "dev", "eth0")
        self.relay.ip("addr", "add", "10.77.2.11/24", "dev", "eth0")
        self.relay.python(SERVER)
        self.folder: Path = self.laptop.directory

    def record(self, *options: str) -> Any:
        """Begin to record; returns the process once it has said so."""
        code = "import sys; from probe.cli.main import main; sys.exit(main(sys.argv[1:]))"
        process = self.laptop.python(code, "capture", "take", "eth0", "-o", "a.pcapng", "--no-sign", *options)
        self.wait_for(lambda: "Recording eth0" in self.laptop.output(), f"a start\n{self.laptop.output()}")
        return process

    def ask(self, count: int) -> None:
        """The master asks so many times; tried again while the server is not there yet."""

        def asked() -> bool:
            done = self.laptop.run(sys.executable, "-c", MASTER, str(count), check=False)
            return bool(done.returncode == 0)

        self.wait_for(asked, f"answers\n{self.relay.output()}")

    def read(self, path: str) -> dict[str, Any]:
        """What ``capture read --json`` says."""
        out = self.laptop.buswitness("capture", "read", path, "--json")
        document: dict[str, Any] = json.loads(out.stdout)
        return document


@pytest.fixture
def bench(lab_net: Any, wait_for: Any) -> Bench:
    """The two computers."""
    return Bench(lab_net, wait_for)


def test_what_was_asked_and_answered_is_in_the_file(bench: Bench) -> None:
    process = bench.record("--filter", "modbus", "--json")
    bench.ask(50)
    os.kill(process.pid, 2)  # ``ip netns exec`` became the program itself
    assert process.wait(60) == 0, bench.laptop.output()
    told = json.loads(bench.laptop.output()[bench.laptop.output().index("{") :])
    seen = bench.read("a.pcapng")
    assert seen["packets"] == told["packets"] > 100
    assert seen["modbus"]["requests"] == seen["modbus"]["matched"] >= 50
    assert seen["devices"][0]["server"] == "10.77.2.11"
    data = (bench.folder / "a.pcapng").read_bytes()
    assert told["sha256"] == {"a.pcapng": hashlib.sha256(data).hexdigest()}
    assert verdict(seen, "capture.unchanged") == "pass"
    (bench.folder / "a.pcapng").write_bytes(data[:-44] + data[-43:] + b"x")
    assert verdict(bench.read("a.pcapng"), "capture.unchanged") == "fail"
    shown = bench.laptop.buswitness("record", "verify", "a.audit.jsonl")
    assert shown.returncode == 0, shown.stdout
    lines = [json.loads(line) for line in (bench.folder / "a.audit.jsonl").read_text().splitlines()]
    (kept,) = [line for line in lines if line.get("kind") == "capture file"]
    assert hashlib.sha256(data).hexdigest() in json.dumps(kept)


def verdict(document: dict[str, Any], check: str) -> str:
    """Of the one finding of this check."""
    (found,) = [one["verdict"] for one in document["findings"] if one["check"] == check]
    return str(found)


def test_an_independent_reader_sees_the_same_packets(bench: Bench) -> None:
    if shutil.which("tcpdump") is None:
        pytest.skip("tcpdump is not installed")
    process = bench.record()
    bench.ask(20)
    os.kill(process.pid, 2)
    assert process.wait(60) == 0
    theirs = subprocess.run(
        ["tcpdump", "-n", "-r", str(bench.folder / "a.pcapng")],
        capture_output=True, text=True, check=True, timeout=60,
    ).stdout.splitlines()  # fmt: skip
    assert len(theirs) == bench.read("a.pcapng")["packets"]
    assert sum("10.77.2.11.502 >" in line and "length 11" in line for line in theirs) >= 20


def test_an_interface_that_vanishes_leaves_a_whole_file_and_says_so(bench: Bench) -> None:
    process = bench.record()
    bench.ask(5)
    bench.wait_for(lambda: (bench.folder / "a.pcapng").stat().st_size > 1000, "frames in the file")
    bench.laptop.ip("link", "del", "eth0")
    assert process.wait(60) == 3, bench.laptop.output()
    assert "the interface went away" in bench.laptop.output()
    seen = bench.read("a.pcapng")
    assert seen["ending"] == "whole"
    assert seen["modbus"]["matched"] >= 5
    verified = bench.laptop.buswitness("record", "verify", "a.audit.jsonl", "--json")
    assert json.loads(verified.stdout)["complete"] is False


TAGGED = """
import socket
frame = bytes.fromhex("ffffffffffff02005e770011" "81000007" "88b6") + b"tagged".ljust(46)
with socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as out:
    out.bind(("eth0", 0))
    out.send(frame)
"""


def test_tags_that_the_system_took_out_are_put_back(bench: Bench) -> None:
    process = bench.record("--filter", "vlan 7")
    bench.relay.run(sys.executable, "-c", TAGGED)
    bench.wait_for(lambda: (bench.folder / "a.pcapng").stat().st_size > 220, "the tagged frame")
    os.kill(process.pid, 2)
    process.wait(60)
    seen = bench.read("a.pcapng")
    assert seen["network"]["vlans"] == {"7": 1}
    assert seen["network"]["bytes"] == 64


def test_without_the_right_it_says_how_to_get_it(bench: Bench) -> None:
    drop = shutil.which("setpriv")
    if drop is None:
        pytest.skip("setpriv is not installed (Debian package util-linux)")
    tried = bench.laptop.run(
        drop, "--bounding-set", "-net_raw", "--inh-caps", "-net_raw", sys.executable, "-m", "probe",
        "capture", "take", "eth0", "--for", "1s", "-o", "a.pcapng",
        check=False, PYTHONPATH=str(Path(__file__).resolve().parents[3]),
    )  # fmt: skip
    assert tried.returncode == 2, tried.stderr
    assert "may not record frames" in tried.stderr
    assert "setcap cap_net_raw" in tried.stderr
    assert "capture read" in tried.stderr
    assert not list(bench.folder.glob("a.*"))


def test_an_interface_that_is_not_there(bench: Bench) -> None:
    tried = bench.laptop.buswitness("capture", "take", "eth9", "--for", "1s", "-o", "a.pcapng")
    assert tried.returncode == 2
    assert "eth9" in tried.stderr
    assert "check its name" in tried.stderr


def test_the_live_figures_are_those_of_the_file(bench: Bench) -> None:
    """On a terminal of 100 columns; the picture shows what capture read would."""
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        bench.laptop.inside(
            sys.executable, "-m", "probe", "capture", "take", "eth0", "-o", "a.pcapng", "--live", "--no-sign"
        ),
        stdin=follower, stdout=follower, stderr=subprocess.DEVNULL, cwd=bench.folder, start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[3]), "TERM": "xterm",
             "COLUMNS": "100", "LINES": "40"},
    )  # fmt: skip
    bench.laptop.processes.append(process)
    os.close(follower)
    shown = bytearray()

    def seen(words: bytes) -> bool:
        os.set_blocking(leader, False)
        try:
            while part := os.read(leader, 65536):
                shown.extend(part)
        except OSError:
            pass
        return words in shown

    bench.wait_for(lambda: seen(b"Recording eth0"), "the picture")
    bench.ask(30)
    bench.wait_for(lambda: seen(b"30 answered") or seen(b"10.77.2.11:502 unit 1"), f"figures\n{shown!r}")
    os.kill(process.pid, 2)
    bench.wait_for(lambda: seen(b"whole.") or process.poll() is not None, "the end")
    assert process.wait(60) == 0
    os.close(leader)
    assert bench.read("a.pcapng")["modbus"]["matched"] >= 30


SCAPY = """
from probe.wire.capture.taps import open_scapy_tap
from probe.wire.system_clock import SystemClock
tap = open_scapy_tap("eth0", SystemClock())
print("listening", flush=True)
seen = []
while not any(b"tagged" in one.data for one in seen):
    seen += tap.take(0.5)
tap.close()
(one,) = [one for one in seen if b"tagged" in one.data]
print(tap.link, one.wire, len(one.data), abs(one.wall_ns - SystemClock().wall_ns()) < 60e9, flush=True)
"""


def test_the_way_of_other_systems(bench: Bench) -> None:
    """Windows and macOS record by scapy; its socket exists here, too."""
    process = bench.laptop.python(SCAPY)
    bench.wait_for(lambda: "listening" in bench.laptop.output(), f"a start\n{bench.laptop.output()}")
    bench.relay.run(sys.executable, "-c", TAGGED)
    assert process.wait(60) == 0, bench.laptop.output()
    link, wire, size, dated = bench.laptop.output().split()[-4:]
    assert (link, dated) == ("1", "True")
    assert int(wire) == int(size) >= 60
