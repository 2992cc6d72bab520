"""Growth: what a thing costs as it gets bigger, beside its peer in the same run. One function a curve.

Each gives, by the name of the way, (size, CPU seconds). The first is ours, the last the plainest peer.
"""

from __future__ import annotations

import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

Curve = dict[str, list[tuple[float, float]]]


class Growth(NamedTuple):
    """A curve to draw: what it is called, its axes, its sizes (quick and full), and who measures it."""

    title: str
    across: str
    quick: tuple[int, ...]
    full: tuple[int, ...]
    measure: Callable[[Sequence[int], int], Curve]


def devices(sizes: Sequence[int], repeats: int) -> Curve:
    """Whole audits of so many simulated devices, a bare asyncio client, a C client."""
    from bench import run

    run.build()
    works = {"whole audit": "audit, asyncio", "bare asyncio": "bare asyncio", "C client": "C epoll client"}
    curve: Curve = {name: [] for name in works}
    for size in sizes:
        with run.devices(size):
            for name, work in works.items():
                cost = min(run.WORKS[work](size)["cpu_s"] for _ in range(repeats))
                curve[name].append((size, cost))
    return curve


def packets(sizes: Sequence[int], repeats: int) -> Curve:
    """Captures of so many packets: ours, and a tuned loop in C."""
    from bench import captures

    curve: Curve = {"capture read": [], "C loop": []}
    with tempfile.TemporaryDirectory() as name:
        loop, _ = captures.build(Path(name))
        path = Path(name) / "bench.pcap"
        for size in sizes:
            subprocess.run([loop, "make", str(size), str(path)], check=True)
            curve["capture read"].append((size, captures.own(path, repeats)[0]))
            curve["C loop"].append((size, captures.least([loop, "read", str(path)], repeats).cpu_s))
            path.unlink()
    return {name: [(x, max(y, 1e-4)) for x, y in points] for name, points in curve.items()}


def history(sizes: Sequence[int], repeats: int) -> Curve:
    """Histories of so many runs of 500 findings: ours, and plain rows in sqlite3 (with its few queries)."""
    from bench import history as bench
    from probe.history.keep import Keeper
    from probe.history.store import open_history

    def ours(where: str, size: int) -> None:
        store = open_history(where)
        keeper = Keeper(store)
        for digest in bench.digests(size, 40):
            keeper.keep(digest)
        store.close()

    curve: Curve = {"history": [], "plain rows": []}
    for size in sizes:
        made = _cpu_s(lambda size=size: [None for _ in bench.digests(size, 40)])
        with tempfile.TemporaryDirectory() as folder:
            kept = _cpu_s(lambda size=size, folder=folder: ours(f"{folder}/ours.sqlite", size))
            plain = _cpu_s(
                lambda size=size, folder=folder: bench.plain_rows(f"{folder}/plain.sqlite", size, 40)
            )
        curve["history"].append((size, max(kept - made, 1e-4)))
        curve["plain rows"].append((size, max(plain - made, 1e-4)))
    return curve


def _cpu_s(work: Callable[[], object]) -> float:
    before = time.process_time()
    work()
    return time.process_time() - before


def record(sizes: Sequence[int], repeats: int) -> Curve:
    """Records of so many megabytes: verified, loaded, and plain SHA-256 of the file."""
    from bench import record as bench

    works = {"verify": "verify", "load": "load", "SHA-256": "sha256"}
    curve: Curve = {name: [] for name in works}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.audit.jsonl"
        for size in sizes:
            bench.write_large(path, size)
            for name, work in works.items():
                curve[name].append((size, max(bench.measured(work, path, repeats)["cpu_s"], 1e-4)))
            path.unlink()
    return curve


GROWTHS = {
    "devices": Growth("Audit of N devices", "devices", (10, 30, 100), (10, 100, 1000, 4000), devices),
    "packets": Growth(
        "Reading a capture", "packets", (10_000, 100_000, 400_000), (100_000, 1_000_000, 10_000_000), packets
    ),
    "history": Growth(
        "Runs taken into the history", "runs", (40, 80, 160), (300, 1000, 3000, 10_000), history
    ),
    "record": Growth("Reading a record", "MiB", (1, 4, 12), (4, 16, 64, 256), record),
}
