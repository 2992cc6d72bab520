"""Large records are read as a stream: verifying and showing takes the same memory whatever the size."""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from probe.model.evidence import Anchor, Exchange, Framing, Outcome, Purpose
from probe.model.finding import Finding, Verdict
from probe.model.scope import Scope
from probe.record.header import Header
from probe.record.writer import RecordWriter

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="measures memory with getrusage")

MIB = 1024 * 1024
#: What the interpreter with our modules takes is some 35 MiB; a 64 MiB file in memory would pass this.
BOUND_MIB = 70
WORK = textwrap.dedent("""
    import json, resource, sys
    from pathlib import Path
    from probe.record.content import first_evidence, load, pieces
    from probe.record.packed import pack
    from probe.record.verify import verify
    path, what = Path(sys.argv[1]), sys.argv[2]
    if what == "verify":
        told = verify(path).count
    elif what == "show":
        content = load(path, with_evidence=False)
        told = len(content.findings) + len(pieces(path, frozenset({3, content.count - 2})))
        told += first_evidence(path, "F-01", 12)[1]
    else:
        with open(sys.argv[3], "wb") as out:
            pack(path, out, what)
        told = 0
    # On Linux the figure of getrusage begins with that of the process that started this one.
    status = Path("/proc/self/status")
    if status.exists():
        peak = next(int(line.split()[1]) for line in status.open() if line.startswith("VmHWM")) / 1024
    else:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 * 1024)
    print(json.dumps([told, peak]))
""")


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """A record of 64 MiB, and how many exchanges it holds."""
    path = tmp_path_factory.mktemp("large") / "large.audit.jsonl"
    header = Header(
        tool_version="0",
        site="Tarn Hollow Water Works",
        lineup="MSB-1",
        map_texts=(),
        profile_texts=(),
        scope=Scope(tags=("F-01",)),
        started_wall_ns=0,
    )
    writer, number = RecordWriter.create(path, header), 0
    writer.keep(Anchor(0, 0))
    for number in range(1, 91_000):  # 740 bytes a line
        sent = number * 1000
        writer.keep(
            Exchange(
                "F-01",
                Purpose.POLL,
                Framing.MBAP,
                0,
                1,
                sent,
                sent + 5,
                Outcome.DATA,
                0,
                bytes(12),
                bytes(209),
            )
        )
    writer.conclude([Finding(check="c", subject="F-01", verdict=Verdict.PASS, title="t", evidence=(3,))], [])
    writer.seal(complete=True, reason="")
    assert path.stat().st_size > 60 * MIB
    return path, number


def _in_a_process(*arguments: object) -> tuple[int, float]:
    done = subprocess.run(
        [sys.executable, "-c", WORK, *map(str, arguments)], capture_output=True, check=True, timeout=120
    )
    told, peak_mib = json.loads(done.stdout)
    return told, peak_mib


def test_verifying_takes_constant_memory(large: tuple[Path, int]) -> None:
    path, exchanges = large
    count, peak_mib = _in_a_process(path, "verify")
    assert count == exchanges + 4
    assert peak_mib < BOUND_MIB


def test_showing_takes_constant_memory(large: tuple[Path, int]) -> None:
    path, exchanges = large
    told, peak_mib = _in_a_process(path, "show")
    assert told == 1 + 2 + exchanges
    assert peak_mib < BOUND_MIB


@pytest.mark.parametrize("how", ["gz", "zst"])
def test_packed_copies_are_made_and_read_in_constant_memory(
    large: tuple[Path, int], tmp_path: Path, how: str
) -> None:
    path, exchanges = large
    copy = tmp_path / f"copy.{how}"
    _, packing_mib = _in_a_process(path, how, copy)
    assert copy.stat().st_size < path.stat().st_size / 4
    count, peak_mib = _in_a_process(copy, "verify")
    assert count == exchanges + 4
    assert max(packing_mib, peak_mib) < BOUND_MIB + 30, "the packers keep windows of their own"
