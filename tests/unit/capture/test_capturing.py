"""Taking: limits, the ring, hashes, a full disk; frames come from a tap that a test feeds."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import pytest

from probe.collect.capturing import CaptureTaker, Ended, Limits, Order
from probe.model.capture import Ending
from probe.model.capture_evidence import CaptureFile
from probe.model.errors import InputError
from probe.practice.packets import Connection, modbus
from probe.wire.capture.filtering import parse_filter
from probe.wire.capture.reading import read_capture
from probe.wire.capture.taps import Taken, TapLostError
from probe.wire.system_clock import SystemClock

START_NS = 1_760_000_000_000_000_000


class FedTap:
    """Gives so many frames, ten at a time, a millisecond apart; then it is lost, or quiet."""

    link = 1

    def __init__(self, frames: int, *, lost: bool = True, drops: int = 0) -> None:
        self.left, self.lost, self.drops = frames, lost, drops
        self.wire = Connection()
        self.now_ns = START_NS
        self.closed = False

    def take(self, wait_s: float) -> list[Taken]:
        if not self.left and self.lost:
            raise TapLostError("Network is down")
        taken = []
        for _ in range(min(10, self.left)):
            self.now_ns += 1_000_000
            data = self.wire.say(modbus(1, 1, bytes((3, 0, 0, 0, 1))), by_server=False)
            taken.append(Taken(self.now_ns, data, len(data)))
        self.left -= len(taken)
        return taken

    def dropped(self) -> int:
        drops, self.drops = self.drops, 0
        return drops

    def close(self) -> None:
        self.closed = True


def taking(tap: FedTap, path: Path, **limits: float) -> tuple[CaptureTaker, list[CaptureFile]]:
    """A capture ready to run, and where its files are told."""
    files: list[CaptureFile] = []
    order = Order(interface="sim0", path=path, limits=Limits(**limits))  # type: ignore[arg-type]
    return CaptureTaker(order, tap, SystemClock(), files.append), files


def test_an_interface_that_goes_leaves_a_whole_file(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    tap = FedTap(95, drops=3)
    taker, files = taking(tap, path)
    assert taker.run() is Ended.LOST
    assert taker.detail == "Network is down"
    assert tap.closed
    (file,) = files
    assert (file.packets, file.dropped, file.interface, file.ending) == (
        95,
        3,
        "sim0",
        "the interface went away",
    )
    assert file.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert file.size == path.stat().st_size
    assert (file.wall_ns, file.span_ns) == (START_NS + 1_000_000, 94_000_000)
    figures = read_capture(path)
    assert (figures.packets, figures.ending) == (95, Ending.WHOLE)
    assert figures.totals["dropped_by_capture"] == 3


def test_a_limit_of_size(tmp_path: Path) -> None:
    taker, _ = taking(FedTap(10_000), tmp_path / "a.pcapng", total=20_000)
    assert taker.run() is Ended.SIZE
    assert 20_000 <= taker.counts.size < 22_000


def test_a_limit_of_time(tmp_path: Path) -> None:
    taker, _ = taking(FedTap(0, lost=False), tmp_path / "a.pcapng", seconds=0.01)
    assert taker.run() is Ended.TIME


def test_a_wish_to_stop(tmp_path: Path) -> None:
    taker, _ = taking(FedTap(10_000_000), tmp_path / "a.pcapng")
    turns = []

    def turn() -> None:
        turns.append(1)
        if len(turns) == 3:
            taker.stop()

    assert taker.run(turn) is Ended.STOPPED
    assert taker.counts.packets == 40


def test_a_ring_keeps_the_last_files_and_all_hashes(tmp_path: Path) -> None:
    taker, files = taking(FedTap(1000), tmp_path / "a.pcapng", each=10_000, keep=3)
    taker.run()
    there = sorted(tmp_path.glob("*.pcapng"))
    assert len(there) == 3
    assert len(files) == taker.counts.files > 5
    assert there[-1].name == f"a-{len(files):05d}.pcapng"
    assert sum(file.packets for file in files) == 1000
    for path in there:
        (file,) = [one for one in files if one.file == path.name]
        assert file.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert read_capture(path).packets == file.packets


def test_a_filter_leaves_frames_out(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    order = Order(interface="sim0", path=path, limits=Limits(), filter="udp", wanted=parse_filter("udp"))
    taker = CaptureTaker(order, FedTap(50), SystemClock(), lambda file: None)
    taker.run()
    assert (taker.counts.packets, taker.counts.left_out) == (0, 50)
    assert read_capture(path).packets == 0


def test_what_watches_sees_the_same_bytes_and_may_fail(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    taker, _ = taking(FedTap(50), path)
    seen = bytearray()
    taker.watch(seen.extend)
    taker.run()
    assert path.read_bytes().startswith(bytes(seen))
    other, _ = taking(FedTap(50), tmp_path / "b.pcapng")
    other._watch = lambda data: 1 / 0
    assert other.run() is Ended.LOST
    assert other.counts.packets == 50


def test_nothing_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_bytes(b"kept")
    with pytest.raises(InputError, match="already"):
        taking(FedTap(1), path)
    assert path.read_bytes() == b"kept"


FULL = """
import resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from test_capturing import FedTap, taking
resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))
taker, files = taking(FedTap(100_000), Path(sys.argv[1]))
print(taker.run().value, taker.counts.packets, files[0].size, files[0].sha256)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no limit of file sizes on Windows")
def test_a_full_disk_leaves_a_whole_file(tmp_path: Path) -> None:
    """A limit of this process's file sizes stands for the disk: writes fail in the middle of a block."""
    path = tmp_path / "a.pcapng"
    out = subprocess.run(
        [sys.executable, "-c", FULL, str(path), str(Path(__file__).parent)],
        capture_output=True, text=True, timeout=60, check=True,
    ).stdout  # fmt: skip
    words = out.split()
    assert out.startswith("the disk was full")
    packets, size, code = int(words[-3]), int(words[-2]), words[-1]
    assert packets > 100
    assert path.stat().st_size == size <= 30_000
    assert hashlib.sha256(path.read_bytes()).hexdigest() == code
    figures = read_capture(path)
    assert (figures.packets, figures.ending) == (packets, Ending.WHOLE)
