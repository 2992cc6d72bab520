"""Thousands of seeds, in chunks on several processors, with a total that outlives whatever ends the run.

A book (one line of JSON a chunk) keeps what was done: the same command goes on behind it, and its total is
that of all the book, with the commits that were tried. ``--seeds 0:0`` tells no more than that total.
"""

from __future__ import annotations

import gc
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from pathlib import Path
from typing import Any, NamedTuple, TextIO

from tests.simulation.attempt import attempt, settle

CHUNK = 25
TELL_S = 30.0
TOLD = 12  # sentences of a seed that fails

ROOT = Path(__file__).parents[2]


class Chunk(NamedTuple):
    """What became of the seeds from first to end (without it). lines: one a seed."""

    first: int
    end: int
    failed: dict[str, list[str]]
    sums: dict[str, int]
    cpu_s: float
    lines: list[str]
    commit: str = ""

    def entry(self) -> dict[str, Any]:
        """As it stands in the book."""
        return {name: value for name, value in self._asdict().items() if name != "lines"}


class Book:
    """Chunks that were tried. file: None keeps nothing."""

    def __init__(self, file: Path | None) -> None:
        self._file = file
        self.chunks: list[Chunk] = []
        if file is not None and file.exists():
            lines = file.read_text(encoding="utf-8").splitlines()
            self.chunks = [Chunk(**json.loads(line), lines=[]) for line in lines if line.endswith("}")]

    def add(self, chunk: Chunk) -> None:
        """Keep one, at once."""
        self.chunks.append(chunk)
        if self._file is not None:
            with self._file.open("a", encoding="utf-8") as out:
                out.write(json.dumps(chunk.entry()) + "\n")

    def lacks(self, seeds: range) -> list[range]:
        """What is left of the seeds, in chunks."""
        done = {seed for one in self.chunks for seed in range(one.first, one.end)}
        left = [range(at, min(at + CHUNK, seeds.stop)) for at in range(seeds.start, seeds.stop, CHUNK)]
        return [chunk for chunk in left if not done.issuperset(chunk)]

    @property
    def failed(self) -> int:
        """Seeds that failed."""
        return sum(len(one.failed) for one in self.chunks)

    def total(self) -> str:
        """One sentence about all of it."""
        sums: Counter[str] = Counter()
        for one in self.chunks:
            sums.update(one.sums)
        runs = sum(one.end - one.first for one in self.chunks)
        functions = ", ".join(f"{n.split()[1]}: {m}" for n, m in sorted(sums.items()) if n.startswith("func"))
        tempers = ", ".join(f"{m} {n.split()[1]}" for n, m in sorted(sums.items()) if n.startswith("temper"))
        commits = ", ".join(dict.fromkeys(one.commit for one in self.chunks))
        return (
            f"{runs} runs, {self.failed} fail; {sums['devices']} devices, {sums['requests']} requests, "
            f"{sums['virtual s']} virtual seconds, {sums['writes']} writes on the wire, "
            f"functions {functions}; gear {tempers}; "
            f"{sum(one.cpu_s for one in self.chunks):.0f} s of a processor; commit {commits}"
        )


def try_seeds(first: int, end: int, *, twice: bool = False, commit: str = "") -> Chunk:
    """Every seed of a chunk."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()  # what stays from seed to seed is not looked at for each
    began, sums, failed, lines = time.process_time(), Counter[str](), {}, []
    for seed in range(first, end):
        wrong, line = attempt(seed, sums, twice=twice)
        lines.append(line)
        if wrong:
            failed[str(seed)] = wrong[:TOLD]
    return Chunk(first, end, failed, dict(sums), time.process_time() - began, lines, commit)


def hunt(seeds: range, *, twice: bool, show: bool, most: int, jobs: int, book: Book) -> int:
    """Try the seeds and tell which fail: 0 if none of the book did."""
    left, began, done = book.lacks(seeds), time.monotonic(), 0
    total = sum(len(chunk) for chunk in left)
    told_s = began
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # an end from outside is told, too
    try:
        for chunk in _chunks(left, jobs=jobs, twice=twice):
            book.add(chunk)
            done += chunk.end - chunk.first
            _tell(chunk, show=show)
            if book.failed >= most:
                say(f"stopped: {most} seeds fail")
                break
            if time.monotonic() - told_s > TELL_S:
                told_s = time.monotonic()
                say(_progress(done, total, told_s - began, book.failed), to=sys.stderr)
    except KeyboardInterrupt:
        say("interrupted; this far:")
    say(book.total())
    return 1 if book.failed or done < total else 0


def _progress(done: int, total: int, seconds: float, failed: int) -> str:
    left_s = (total - done) * seconds / max(done, 1)
    return f"{done} of {total}, {failed} fail, {done / seconds:.1f} a second, {left_s / 60:.0f} min left"


def _tell(chunk: Chunk, *, show: bool) -> None:
    if show:
        say("\n".join(chunk.lines))
    for seed, wrong in chunk.failed.items():
        say(f"seed {seed} FAILS; repeat it: python -m tests.simulation --seeds {seed} --show")
        say("".join(f"  {text}\n" for text in wrong))


def _chunks(left: Sequence[range], *, jobs: int, twice: bool) -> Iterator[Chunk]:
    """Chunks as they come; at most two a process wait, so that an end is an end."""
    commit = commit_here()
    if not left:
        return
    if jobs <= 1:
        if len(left) > 1:
            settle()
        for one in left:
            yield try_seeds(one.start, one.stop, twice=twice, commit=commit)
        return
    can_fork = "fork" in multiprocessing.get_all_start_methods()
    if can_fork:
        settle()  # once for all: the processes share what was loaded
    context = multiprocessing.get_context("fork" if can_fork else "spawn")
    todo, waiting = iter(left), set[Future[Chunk]]()
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=_begin, initargs=(can_fork,)) as pool:
        try:
            while True:
                for one in todo:
                    given = pool.submit(try_seeds, one.start, one.stop, twice=twice, commit=commit)
                    waiting.add(given)
                    if len(waiting) >= 2 * jobs:
                        break
                if not waiting:
                    return
                came, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                yield from sorted((future.result() for future in came), key=lambda one: one.first)
        finally:
            pool.shutdown(cancel_futures=True)


def _begin(settled: bool) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that keeps the book
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if not settled:
        settle()


def commit_here() -> str:
    """The commit of this tree, with a plus if its code differs from that; empty without git."""
    try:
        told = [
            _git("rev-parse", "--short", "HEAD"),
            _git("status", "--porcelain", "probe", "tests/simulation"),
        ]
    except (OSError, subprocess.CalledProcessError):
        return ""
    return told[0] + ("+" if told[1] else "")


def _git(*words: str) -> str:
    return subprocess.run(
        ("git", *words), cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()


def say(text: str, to: TextIO | None = None) -> None:
    """One line, at once; to standard output if nothing else is named."""
    to = to or sys.stdout
    to.write(text.rstrip("\n") + "\n")
    to.flush()


def processors() -> int:
    """How many processes are of use here."""
    return max(1, min(4, os.cpu_count() or 1))
