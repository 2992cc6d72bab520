"""Reading NTP servers on loopback: a hostile one of our own, and chrony from Debian (package chrony).

Client and chrony share this computer's clock, so the true offset is 0 and must lie within the bounds.
"""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator

import pytest

from probe.wire.reference import Sampling, best, read_ntp
from probe.wire.system_clock import SystemClock

QUICK = Sampling(samples=3, gap_s=0.01, timeout_s=20.0)
ONCE = Sampling(samples=1, gap_s=0.0, timeout_s=20.0)
BRIEF = Sampling(samples=2, gap_s=0.01, timeout_s=0.1)


@contextlib.asynccontextmanager
async def datagrams(answer: Callable[[bytes], list[bytes]]) -> AsyncIterator[int]:
    """A UDP server on loopback that answers as told."""

    class Server(asyncio.DatagramProtocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = transport

        def datagram_received(self, data: bytes, addr: object) -> None:
            for sent in answer(data):
                self.transport.sendto(sent, addr)  # type: ignore[attr-defined]

    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        Server, local_addr=("127.0.0.1", 0)
    )
    try:
        yield transport.get_extra_info("sockname")[1]
    finally:
        transport.close()


def reply(
    request: bytes, *, first: int = 0x24, stratum: int = 2, ahead_s: int = 0, refid: bytes = b"\1\2\3\4"
) -> bytes:
    """A server's answer to the request, ``ahead_s`` ahead of this computer's clock."""

    now = time.time_ns() + ahead_s * 1_000_000_000
    stamp = (((now // 10**9 + 2_208_988_800) << 32) | ((now % 10**9) << 32) // 10**9).to_bytes(8, "big")
    return bytes((first, stratum, 6, 0xEC)) + bytes(8) + refid + stamp + request[40:48] + stamp + stamp


async def test_an_honest_server_brackets_the_truth():
    async with datagrams(lambda q: [reply(q, ahead_s=100)]) as port:
        samples = await read_ntp("127.0.0.1", SystemClock(), port=port, sampling=QUICK)
    assert len(samples) == 3
    for sample in samples:
        assert sample.usable
        assert sample.low_ns <= 100_000_000_000 <= sample.high_ns
        assert (sample.source, sample.reason, len(sample.data)) == ("ntp 127.0.0.1", "", 48)
    assert best(samples).high_ns - best(samples).low_ns == min(s.high_ns - s.low_ns for s in samples)


LIES = [
    ("leap 3 and stratum 16, 100 s off", {"first": 0xE4, "stratum": 16, "ahead_s": 100}, "leap indicator 3"),
    ("kiss of death", {"stratum": 0, "refid": b"DENY"}, "kiss code DENY"),
]


@pytest.mark.parametrize(("fields", "reason"), [row[1:] for row in LIES], ids=[row[0] for row in LIES])
async def test_what_must_not_be_trusted_is_kept_and_unusable(fields, reason):
    """Lies that a general-purpose NTP library (ntplib 0.4.0) accepted in trials."""
    async with datagrams(lambda q: [reply(q, **fields)]) as port:
        samples = await read_ntp("127.0.0.1", SystemClock(), port=port, sampling=QUICK)
    assert {s.usable for s in samples} == {False}
    assert all(reason in s.reason and len(s.data) == 48 for s in samples)
    assert len(samples) == (1 if "kiss" in reason else 3), "a server that refuses is not asked again"


async def test_wrong_origin_is_passed_over_for_the_right_answer_and_named_if_none_comes():
    forged = bytes(48)
    async with datagrams(lambda q: [reply(forged, ahead_s=500), b"?", reply(q), reply(forged)]) as port:
        (sample,) = await read_ntp("127.0.0.1", SystemClock(), port=port, sampling=ONCE)
    assert sample.usable
    assert sample.high_ns < 400_000_000_000
    async with datagrams(lambda _: [reply(forged, ahead_s=500)]) as port:
        samples = await read_ntp("127.0.0.1", SystemClock(), port=port, sampling=BRIEF)
    assert all("another request" in s.reason and not s.usable for s in samples)


async def test_silence_an_unreachable_port_and_a_bad_name_are_reasons():
    async with datagrams(lambda _: []) as port:
        samples = await read_ntp("127.0.0.1", SystemClock(), port=port, sampling=BRIEF)
    assert ["no answer" in s.reason for s in samples] == [True, True]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        closed = taken.getsockname()[1]
    for host in ("127.0.0.1", "no-such-host.invalid"):
        samples = await read_ntp(host, SystemClock(), port=closed, sampling=BRIEF)
        assert [(s.usable, s.data) for s in samples] == [(False, b"")] * 2
        assert all("cannot be reached" in s.reason for s in samples)


async def test_short_answers_are_named():
    async with datagrams(lambda _: [b"what?"]) as port:
        samples = await read_ntp("127.0.0.1", SystemClock(), port=port, sampling=BRIEF)
    assert {(sample.usable, sample.data) for sample in samples} == {(False, b"what?")}


@contextlib.contextmanager
def chrony(directory, *lines: str) -> Iterator[int]:
    """chronyd that serves its time on loopback, touches no clock (-x) and needs no right of root (-U)."""
    program = shutil.which("chronyd", path=os.environ.get("PATH", "") + ":/usr/sbin")
    if program is None:
        pytest.skip("chronyd is not installed (Debian: chrony)")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    config = directory / "chrony.conf"
    common = [
        f"port {port}",
        "cmdport 0",
        "bindaddress 127.0.0.1",
        "allow 127.0.0.1",
        f"pidfile {directory}/pid",
    ]
    config.write_text("\n".join([*common, *lines, ""]))
    command = [program, "-x", "-d", "-U", "-u", getpass.getuser(), "-f", str(config)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield port
    finally:
        process.terminate()
        process.wait()


async def until_it_serves(port: int):
    """Its samples once it answers at all; on a busy machine a daemon takes its time to start."""
    once = Sampling(samples=1, gap_s=0.0, timeout_s=0.5)
    for _ in range(60):
        (sample,) = await read_ntp("127.0.0.1", SystemClock(), port=port, sampling=once)
        if sample.data:
            return await read_ntp("127.0.0.1", SystemClock(), port=port, sampling=QUICK)
        await asyncio.sleep(0.1)
    pytest.fail("chronyd did not answer")


@pytest.mark.skipif(sys.platform != "linux", reason="chrony's -x is tested on Linux")
async def test_chrony_with_a_clock_of_its_own_is_usable_with_a_caveat(tmp_path):
    with chrony(tmp_path, "local stratum 8") as port:
        samples = await until_it_serves(port)
    for sample in samples:
        assert sample.usable
        assert "its own clock" in sample.reason
        assert sample.low_ns <= 0 <= sample.high_ns


@pytest.mark.skipif(sys.platform != "linux", reason="chrony's -x is tested on Linux")
async def test_chrony_without_a_source_is_unusable(tmp_path):
    with chrony(tmp_path) as port:
        samples = await until_it_serves(port)
    assert {s.usable for s in samples} == {False}
    assert all("not synchronised" in s.reason for s in samples)
