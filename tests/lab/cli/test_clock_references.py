"""Reference clocks for real: chrony (Debian package chrony) synchronised, alone, without source; false by a
known amount and late on one way through a relay of our own; several of them, with the lineup's master.

chrony runs with -x: it touches no clock. Client and chrony share this computer's clock, so the true offset of
a server is 0, and that of a relayed one is what the relay adds.
"""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import json
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from probe.model.evidence import ReferenceSample
from probe.practice.lineup import practice
from probe.practice.scenario import small_scenario
from probe.record.content import lineup_of, load
from probe.record.rejudge import judge_again
from probe.wire import sntp
from probe.wire.reference import Sampling, read_ntp
from probe.wire.system_clock import SystemClock

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="chrony's -x is tested on Linux")

PATIENCE_S = 90
S = 1_000_000_000
ROOT = Path(__file__).parents[3]


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def program() -> str:
    path = shutil.which("chronyd", path=os.environ.get("PATH", "") + ":/usr/sbin")
    if path is None:
        pytest.skip("chronyd is not installed (Debian: chrony)")
    return path


@contextlib.contextmanager
def chrony(folder: Path, *lines: str) -> Iterator[int]:
    """chronyd on a port of loopback with these lines in its configuration."""
    port = free_port()
    folder.mkdir(exist_ok=True)
    config = folder / "chrony.conf"
    common = [
        f"port {port}",
        "cmdport 0",
        "bindaddress 127.0.0.1",
        "allow 127.0.0.1",
        f"pidfile {folder}/pid",
    ]
    config.write_text("\n".join([*common, *lines, ""]))
    command = [program(), "-x", "-d", "-U", "-u", getpass.getuser(), "-f", str(config)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield port
    finally:
        process.terminate()
        process.wait()


class Relay:
    """Passes NTP packets on and back; the answers' times are moved, or held up, or no longer sent.

    shift_s: added to receive and transmit time. hold_s: pause before an answer goes back. most: answers that
    are passed on before it keeps silent.
    """

    def __init__(
        self, server_port: int, *, shift_s: float = 0.0, hold_s: float = 0.0, most: int = 10**9
    ) -> None:
        self._server = ("127.0.0.1", server_port)
        self._shift = round(shift_s * (1 << 32))
        self._hold_s, self._most = hold_s, most
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.settimeout(0.1)
        self.port = int(self._socket.getsockname()[1])
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._pass_on)

    def __enter__(self) -> Relay:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()
        self._socket.close()

    def _pass_on(self) -> None:
        passed = 0
        while not self._ended.is_set():
            with contextlib.suppress(TimeoutError):
                data, client = self._socket.recvfrom(2048)
                if passed < self._most and (answer := self._asked(data)):
                    passed += 1
                    time.sleep(self._hold_s)
                    self._socket.sendto(self._moved(answer), client)

    def _asked(self, data: bytes) -> bytes:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            out.settimeout(5.0)
            try:
                out.sendto(data, self._server)
                return out.recv(2048)
            except OSError:  # nobody there yet
                return b""

    def _moved(self, answer: bytes) -> bytes:
        parts = [answer[at : at + 8] for at in (16, 24, 32, 40)]
        moved = [(int.from_bytes(part, "big") + self._shift) & (1 << 64) - 1 for part in parts]
        reference, receive, transmit = (moved[i].to_bytes(8, "big") for i in (0, 2, 3))
        return answer[:16] + reference + parts[1] + receive + transmit + answer[48:]


def read(port: int, samples: int = 3) -> tuple[ReferenceSample, ...]:
    """Samples of a server once it answers as wanted; on a busy machine a daemon takes its time to start."""
    return asyncio.run(read_ntp("127.0.0.1", SystemClock(), port=port, sampling=Sampling(samples, 0.01, 5.0)))


def until(port: int, wanted: Any) -> tuple[ReferenceSample, ...]:
    for _ in range(120):
        samples = read(port, samples=1)
        if samples[0].data and wanted(sntp.parse(samples[0].data)):
            return read(port)
        time.sleep(0.25)
    pytest.fail("chronyd did not come to this state")


@pytest.fixture
def truth(tmp_path: Path) -> Iterator[int]:
    """The port of a server that is right: chrony with a local stratum, as an island plant has it."""
    with chrony(tmp_path / "truth", "local stratum 8") as port:
        until(port, lambda answer: answer.leap == 0)
        yield port


# --- what is read -------------------------------------------------------------------------------------------


def test_a_server_that_follows_another_is_synchronised(truth: int, tmp_path: Path) -> None:
    upstream = f"server 127.0.0.1 port {truth} iburst minpoll 0 maxpoll 0"
    with chrony(tmp_path / "second", upstream) as port:
        samples = until(port, lambda answer: answer.stratum == 9)
    for sample in samples:
        assert (sample.usable, sample.reason) == (True, "")
        assert sample.low_ns <= 0 <= sample.high_ns


def test_a_server_that_is_false_by_a_known_amount_is_measured_so(truth: int) -> None:
    with Relay(truth, shift_s=12.5) as relay:
        samples = read(relay.port)
    for sample in samples:
        assert sample.usable, sample.reason
        assert sample.low_ns <= 12.5 * S <= sample.high_ns
        assert sample.high_ns - sample.low_ns < 2 * S


def test_a_way_that_is_slow_one_way_only_keeps_the_truth_in_its_bounds(truth: int) -> None:
    """80 ms on the way back: the middle is off by 40 ms, the bounds still hold 0 (RFC 5905, 8)."""
    with Relay(truth, hold_s=0.08) as relay:
        samples = read(relay.port)
    for sample in samples:
        assert sample.low_ns <= 0 <= sample.high_ns
        assert sample.high_ns - sample.low_ns >= 0.08 * S


# --- a run --------------------------------------------------------------------------------------------------


class Lineup:
    """A practice lineup (master and one breaker, both right) in a thread, its map with other references."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._up, self._end = threading.Event(), asyncio.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        scenario = small_scenario(("MC-1", "52-F1"))
        async with practice(scenario, directory=self._folder) as lineup:
            self.path = lineup.map_path
            self._up.set()
            await self._end.wait()

    def __enter__(self) -> Lineup:
        self._thread.start()
        assert self._up.wait(PATIENCE_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(PATIENCE_S)

    def measured(self, *references: str) -> tuple[dict[str, Any], int]:
        """``clock --json`` against these references; the object and the exit code."""
        listed = json.dumps(list(references) if len(references) > 1 else references[0])
        text = self.path.read_text()
        self.path.write_text(text.replace('reference: "tag:MC-1"', f"reference: {listed}"))
        record = self._folder / "clock.jsonl"
        done = subprocess.run(
            [sys.executable, "-m", "probe", "clock", str(self.path), "--json", "--record", str(record)],
            cwd=self._folder, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S,
            check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        self.path.write_text(text)
        assert "Traceback" not in done.stderr
        content = load(record)
        again = judge_again(content, lineup_of(content.header))
        assert again.findings == content.findings, "the same from the recorded bytes"
        return json.loads(done.stdout), done.returncode


def breaker(document: dict[str, Any]) -> dict[str, Any]:
    """The clock of the one breaker; a master that is one reference among several is measured as well."""
    (clock,) = [one for one in document["clocks"] if one["tag"] == "52-F1"]
    return clock


def found(document: dict[str, Any], check: str) -> dict[str, Any]:
    """The check's finding on the lineup or the breaker; of several the first."""
    return next(
        one for one in document["findings"] if one["check"] == check and one["subject"] in ("lineup", "52-F1")
    )


@pytest.fixture
def lineup(tmp_path: Path) -> Iterator[Lineup]:
    with Lineup(tmp_path) as lineup:
        yield lineup


def test_server_and_master_agree(lineup: Lineup, truth: int) -> None:
    document, code = lineup.measured(f"ntp:127.0.0.1:{truth}", "tag:MC-1")
    agreement = found(document, "run.references_agree")
    assert agreement["verdict"] == "pass", agreement
    assert breaker(document)["verdict"] in ("pass", "review")
    assert document["reference"]["names"] == [f"ntp:127.0.0.1:{truth}", "tag:MC-1"]
    assert "own clock" in found(document, "run.reference")["observed"], "chrony's local stratum is no source"
    assert code == 0


def test_the_false_one_of_three_is_found_and_left_out(lineup: Lineup, truth: int) -> None:
    with Relay(truth, shift_s=5.0) as relay:
        false = f"ntp:127.0.0.1:{relay.port}"
        document, code = lineup.measured(f"ntp:127.0.0.1:{truth}", false, "tag:MC-1")
    finding = found(document, "run.references_agree")
    assert finding["verdict"] == "fail"
    assert finding["point"] == false
    assert "is false: it stands 5.0 s from the others" in finding["title"]
    assert breaker(document)["verdict"] == "pass"
    assert code == 1


def test_two_that_differ_leave_every_skew_untested(lineup: Lineup, truth: int) -> None:
    with Relay(truth, shift_s=5.0) as relay:
        names = (f"ntp:127.0.0.1:{truth}", f"ntp:127.0.0.1:{relay.port}")
        document, code = lineup.measured(*names)
    failing = [f for f in document["findings"] if f["check"] == "run.references_agree"]
    assert {f["point"] for f in failing} == set(names)
    assert all("no majority tells which is right" in f["title"] for f in failing)
    assert breaker(document)["verdict"] == "not tested"
    assert all(name in found(document, "clock.skew")["title"] for name in names)
    assert code == 1


def test_a_server_without_a_source_is_refused_with_its_reason(lineup: Lineup, tmp_path: Path) -> None:
    with chrony(tmp_path / "lost") as port:
        until(port, lambda answer: answer.leap == 3)
        document, _ = lineup.measured(f"ntp:127.0.0.1:{port}", "tag:MC-1")
        assert "not synchronised" in found(document, "run.references_agree")["observed"]
        assert breaker(document)["verdict"] == "pass", "the master alone is enough"
        (tmp_path / "clock.jsonl").unlink()
        document, code = lineup.measured(f"ntp:127.0.0.1:{port}")
    assert breaker(document)["verdict"] == "not tested"
    assert "not synchronised" in found(document, "run.reference")["observed"]
    assert code == 1


def test_a_server_that_vanishes_in_mid_run_is_told_and_the_run_goes_on(lineup: Lineup, truth: int) -> None:
    """It answers the two readings at the start, and not the one at the end."""
    with Relay(truth, most=2) as relay:
        document, code = lineup.measured(f"ntp:127.0.0.1:{relay.port}")
    finding = found(document, "run.reference")
    assert finding["verdict"] == "review"
    assert "not at the end of the run: no answer within" in finding["observed"]
    assert breaker(document)["verdict"] == "pass"
    assert document["complete"]
    assert code == 0


def test_a_name_that_does_not_resolve_is_told_and_the_run_goes_on(lineup: Lineup) -> None:
    document, code = lineup.measured("ntp:no-such-clock.invalid")
    assert "its name does not resolve" in found(document, "run.reference")["observed"]
    assert breaker(document)["verdict"] == "not tested"
    assert code == 1


# --- in a network of its own --------------------------------------------------------------------------------

_ASK = """
import asyncio
from probe.wire.reference import Sampling, read_ntp
from probe.wire.system_clock import SystemClock
for sample in asyncio.run(read_ntp("192.0.2.1", SystemClock(), sampling=Sampling(2, 0.01, 5.0))):
    print(sample.usable, sample.low_ns <= 0 <= sample.high_ns, sample.reason)
"""


@pytest.fixture
def networks() -> Iterator[tuple[str, str]]:
    """Two network namespaces joined by a cable: the server's (192.0.2.1) and ours (192.0.2.2)."""
    if os.geteuid() != 0 or shutil.which("ip") is None:
        pytest.skip("network namespaces need root and iproute2")
    there, here = f"bw-s{os.getpid()}", f"bw-c{os.getpid()}"
    made = subprocess.run(["ip", "netns", "add", there], capture_output=True, check=False)
    if made.returncode:
        pytest.skip("this system gives no network namespaces")
    try:
        subprocess.run(["ip", "netns", "add", here], check=True)
        link = [
            "ip",
            "link",
            "add",
            "v0",
            "netns",
            there,
            "type",
            "veth",
            "peer",
            "name",
            "v1",
            "netns",
            here,
        ]
        subprocess.run(link, check=True)
        for space, name, address in ((there, "v0", "192.0.2.1/24"), (here, "v1", "192.0.2.2/24")):
            subprocess.run(["ip", "-n", space, "addr", "add", address, "dev", name], check=True)
            subprocess.run(["ip", "-n", space, "link", "set", name, "up"], check=True)
        yield there, here
    finally:
        for space in (there, here):
            subprocess.run(["ip", "netns", "del", space], check=False)


def test_over_a_cable_at_the_usual_port(networks: tuple[str, str], tmp_path: Path) -> None:
    there, here = networks
    config = tmp_path / "chrony.conf"
    config.write_text(f"cmdport 0\nallow 192.0.2.0/24\nlocal stratum 8\npidfile {tmp_path}/pid\n")
    inside = ["ip", "netns", "exec"]
    server = subprocess.Popen(
        [*inside, there, program(), "-x", "-d", "-U", "-u", getpass.getuser(), "-f", str(config)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        for _ in range(60):
            done = subprocess.run(
                [*inside, here, sys.executable, "-c", _ASK], capture_output=True, text=True, check=True,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
            )  # fmt: skip
            if "True" in done.stdout:
                break
            time.sleep(0.25)
    finally:
        server.terminate()
        server.wait()
    lines = done.stdout.splitlines()
    assert len(lines) == 2
    assert all(line.startswith("True True the server shows its own clock") for line in lines)
