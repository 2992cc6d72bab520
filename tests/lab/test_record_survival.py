"""A record in a rough world: the writer is killed, its disk fills up, its file may not grow.

Real processes, real mounts (as root) or a real file-size limit of the system.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from probe.model.errors import InputError, RecordError
from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.finding import Finding, Verdict
from probe.model.scope import Scope
from probe.record.content import load
from probe.record.damage import Damage
from probe.record.header import Header
from probe.record.verify import verify
from probe.record.writer import RecordWriter

HEADER = Header(
    tool_version="0.1.0",
    site="Tarn Hollow Water Works",
    lineup="MSB-1",
    map_texts=(),
    profile_texts=(),
    scope=Scope(tags=("F-01",)),
    started_wall_ns=0,
)
EXCHANGE = Exchange(
    "F-01", Purpose.POLL, Framing.MBAP, 0, 1, 5, 9, Outcome.DATA, 0, bytes(12), bytes(range(209))
)
WRITE_FOR_EVER = textwrap.dedent("""
    import sys
    from pathlib import Path
    from probe.model.evidence import Exchange, Framing, Outcome, Purpose
    from probe.model.scope import Scope
    from probe.record.header import Header
    from probe.record.writer import RecordWriter
    header = Header(tool_version="0", site="s", lineup="l", map_texts=(), profile_texts=(),
                    scope=Scope(tags=("F-01",)), started_wall_ns=0)
    writer = RecordWriter.create(Path(sys.argv[1]), header)
    exchange = Exchange("F-01", Purpose.POLL, Framing.MBAP, 0, 1, 5, 9, Outcome.DATA, 0, b"ask", bytes(209))
    print("ready", flush=True)
    for number in range(200_000):  # bounded: the test kills it long before
        writer.keep(exchange)
        if number % 3 == 0:
            writer.flush()
""")


def test_a_killed_writer_leaves_a_readable_prefix(tmp_path: Path) -> None:
    dice = random.Random(8785)
    for turn in range(10):
        path = tmp_path / f"{turn}.audit.jsonl"
        _write_and_kill(path, dice.uniform(0.0, 0.08))
        found = verify(path)
        assert found.damage in (Damage.NOT_CLOSED, Damage.CUT), found
        assert (found.whole, found.unchanged, found.closed) == (False, True, False)
        assert found.count == path.read_bytes().count(b"\n") >= 1
        content = load(path)
        assert content.seal is None
        assert len(content.evidence.get(Exchange, ())) == found.count - 1
    assert not list(tmp_path.glob("tmp*")), "the reserve vanishes with the process"


def _write_and_kill(path: Path, after_s: float) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", WRITE_FOR_EVER, str(path)], stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"ready\n" or os.linesep == "\r\n"
        time.sleep(after_s)
        writer.kill()  # SIGKILL, or TerminateProcess on Windows: nothing can be tidied up


class _ShortWrites:
    """A file that takes a few bytes at a time; after each, what a kill would leave just then is judged."""

    def __init__(self, file: Any, path: Path) -> None:
        self._file, self._path, self._dice = file, path, random.Random(8785)
        self.looked = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def write(self, data: memoryview) -> int:
        taken = self._file.write(data[: self._dice.randrange(1, 700)])
        found = verify(self._path)
        whole = self._path.read_bytes()
        if found.closed:
            assert found.holds, "closed only by the last byte of the seal"
        else:
            assert found.damage in (Damage.NOT_CLOSED, Damage.CUT)
            assert (found.unchanged, found.count) == (True, whole.count(b"\n"))
            assert load(self._path).count == found.count
        self.looked += 1
        return int(taken)


def test_a_kill_between_any_two_writes_and_within_one_leaves_a_valid_prefix(tmp_path: Path) -> None:
    path = tmp_path / "r.audit.jsonl"
    writer = RecordWriter.create(path, HEADER)
    short = writer._file = _ShortWrites(writer._file, path)  # type: ignore[assignment]
    for _ in range(60):
        writer.keep(EXCHANGE)
        writer.flush()
    writer.seal(complete=True, reason="")
    assert short.looked > 100
    assert verify(path).holds


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 3 MiB of its own, mounted for the test; needs root on Linux."""
    if not sys.platform.startswith("linux") or os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("mounting a small disk needs root on Linux; the file-size test covers others")
    folder = tmp_path / "disk"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode != 0:
        pytest.skip(f"this machine does not let us mount: {done.stderr.decode().strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def _fill(writer: RecordWriter, says: str = "disk is full") -> int:
    """Keep exchanges until the ledger refuses; the number of the last one that was promised."""
    kept = 1
    for _ in range(100_000):
        try:
            kept = writer.keep(EXCHANGE)
        except RecordError as error:
            said = error.problem.what
            break
    else:
        pytest.fail("the disk took everything")
    assert says in said
    return kept


def test_a_full_disk_ends_the_run_and_the_record_is_still_closed(small_disk: Path) -> None:
    writer = RecordWriter.create(small_disk / "r.audit.jsonl", HEADER)
    kept = _fill(writer)
    with pytest.raises(RecordError, match="disk is full"):
        writer.keep(EXCHANGE)
    writer.conclude([Finding(check="c", subject="F-01", verdict=Verdict.NOT_TESTED, title="t")], [])
    seal = writer.seal(complete=True, reason="")
    found = verify(writer.path)
    assert found.holds
    assert (found.complete, seal.complete) == (False, False)
    assert "disk is full" in found.reason
    content = load(writer.path)
    assert len(content.evidence[Exchange]) >= kept - 1, "every number that was given out is in the record"
    assert [finding.verdict for finding in content.findings] == [Verdict.NOT_TESTED]


def test_verdicts_that_do_not_fit_are_left_out_and_said_so(small_disk: Path) -> None:
    writer = RecordWriter.create(small_disk / "r.audit.jsonl", HEADER)
    _fill(writer)
    many = [Finding(check="c", subject=f"F-{n}", verdict=Verdict.PASS, title="t" * 200) for n in range(4000)]
    writer.conclude(many, [])
    writer.seal(complete=False, reason="")
    found = verify(writer.path)
    assert found.holds
    assert "no verdicts, for lack of space" in found.reason
    assert load(writer.path).findings == ()


def test_a_disk_that_others_fill_completely_leaves_a_valid_record(small_disk: Path) -> None:
    """Even the reserve is taken by somebody else: what could not be written is told, nothing is damaged."""
    writer = RecordWriter.create(small_disk / "r.audit.jsonl", HEADER)
    writer._reserve.release()
    _take_all(small_disk / "other")
    kept = _fill(writer)
    writer.conclude(
        [Finding(check="c", subject="F-01", verdict=Verdict.FAIL, title="t", evidence=(kept,))], []
    )
    seal = writer.seal(complete=True, reason="")
    found = verify(writer.path)
    assert (found.holds, found.complete) == (True, False)
    assert seal.count < kept
    assert "lines could not be written" in found.reason
    assert "no verdicts, because" in found.reason
    assert load(writer.path).findings == (), "no verdict stands on a line that is not there"


def _take_all(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            return


def test_not_even_the_seal_fits(small_disk: Path) -> None:
    writer = RecordWriter.create(small_disk / "r.audit.jsonl", HEADER)
    writer._reserve.release()
    _take_all(small_disk / "other")
    with pytest.raises(RecordError, match="disk is full"):
        writer.seal(complete=False, reason="x" * 10_000)
    found = verify(writer.path)
    assert (found.damage, found.unchanged, found.count) == (Damage.NOT_CLOSED, True, 1)


def test_too_little_space_to_begin_with_is_told_before_anything_is_asked(small_disk: Path) -> None:
    (small_disk / "other").write_bytes(bytes(2_500_000))
    with pytest.raises(InputError, match="disk is full"):
        RecordWriter.create(small_disk / "r.audit.jsonl", HEADER)
    assert [path.name for path in small_disk.iterdir()] == ["other"]


def test_a_read_only_disk_is_told_before_anything_is_asked(small_disk: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(InputError, match="read-only"):
        RecordWriter.create(small_disk / "r.audit.jsonl", HEADER)


def test_a_file_that_may_not_grow_ends_at_a_whole_line(tmp_path: Path) -> None:
    """The system's file-size limit (RLIMIT_FSIZE): a full disk for those who cannot mount one."""
    resource = pytest.importorskip("resource", reason="this system has no limits on file sizes")
    writer = RecordWriter.create(tmp_path / "r.audit.jsonl", HEADER)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, before[1]))
    try:
        _fill(writer, "largest size allowed")
        writer.seal(complete=True, reason="")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    found = verify(writer.path)
    assert (found.holds, found.complete) == (True, False)
    assert found.count > 100
