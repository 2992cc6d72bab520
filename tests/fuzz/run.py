"""Runs the fuzz targets one after the other: ``python -m tests.fuzz.run --minutes 60 [--target NAME]...``.

The time is divided by each target's share; each works in a process of its own. The folder (``--folder``)
keeps what was reached, so that the next run goes on from there, and adds up runs and seconds; ``--table``
prints the sum, ``--minimise`` writes the committed corpus anew from it.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass, field
from importlib.util import find_spec
from pathlib import Path

from tests.fuzz import corpus
from tests.fuzz.catalogue import HOMES, target
from tests.fuzz.cover import worth_keeping
from tests.fuzz.work import broken

FOLDER = Path.home() / ".cache" / "buswitness-fuzz"
#: Where the table is told, and between which marks.
PAGE = Path(__file__).parents[2] / "docs" / "assurance.md"
MARKS = ("<!-- fuzzing: table -->", "<!-- fuzzing: end of table -->")
#: Of each target's inputs so many are committed, and none longer than this.
MOST_INPUTS, LONGEST_INPUT = 30, 3000
MOST_LOOKED_AT = 400
_DONE = re.compile(r"Done (\d+) runs in (\d+) second")
_COVERED = re.compile(r"cov: (\d+) ft: (\d+)")


@dataclass
class Sum:
    """What one target has done so far. covered: edges of our code that were reached (0: not counted)."""

    runs: int = 0
    seconds: float = 0.0
    processor_s: float = 0.0
    covered: int = 0
    inputs: int = 0
    slowest_s: float = 0.0
    found: dict[str, str] = field(default_factory=dict)  # what still breaks
    mended: dict[str, str] = field(default_factory=dict)  # what broke once


def read_sums(folder: Path) -> dict[str, Sum]:
    """The sums in the folder, by target."""
    path = folder / "sums.json"
    stored = json.loads(path.read_text("utf-8")) if path.exists() else {}
    return {name: Sum(**one) for name, one in stored.items()}


def work_on(name: str, seconds: float, folder: Path, engine: str, total: Sum) -> Sum:
    """The sum after one more spell of work on the target."""
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / f"{name}.log"
    command = [sys.executable, "-m", "tests.fuzz.work", name, str(seconds), str(folder), engine]
    began, busy_s = time.monotonic(), _children_s()
    shm = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="bw-fuzz-", dir=shm) as scratch, log.open("w") as out:
        around = {**os.environ, "BUSWITNESS_FUZZ_SCRATCH": scratch}
        ended = subprocess.run(command, stdout=out, stderr=subprocess.STDOUT, check=False, env=around)
    said = log.read_text("utf-8", "replace")
    told = json.loads((folder / f"{name}.json").read_text("utf-8"))
    done, covered = _DONE.search(said), _COVERED.findall(said)
    found = dict(told["found"])  # inputs that broke something before were run again first
    mended = {key: text for key, text in {**total.mended, **total.found}.items() if key not in found}
    if ended.returncode != 0 and not told["found"]:
        found[f"ended-{ended.returncode}"] = f"the process ended with {ended.returncode}: {said[-300:]}"
    return Sum(
        runs=total.runs + (int(done[1]) if done else int(told["runs"])),
        seconds=round(total.seconds + time.monotonic() - began, 1),
        processor_s=round(total.processor_s + _children_s() - busy_s, 1),
        covered=max([total.covered, *(int(one[0]) for one in covered)]),
        inputs=sum(1 for _ in (folder / "kept" / name).glob("*")),
        slowest_s=max(total.slowest_s, told["slowest_s"]),
        found=found,
        mended=mended,
    )


def _children_s() -> float:
    """Processor time of processes that have ended; 0 on systems that do not tell."""
    times = os.times()
    return times.children_user + times.children_system


def publish(sums: dict[str, Sum], page: Path = PAGE) -> None:
    """Put the table into the page, between its two marks. Raises ValueError if they are not there."""
    text = page.read_text("utf-8")
    start, end = text.index(MARKS[0]) + len(MARKS[0]), text.index(MARKS[1])
    page.write_text(f"{text[:start]}\n\n{table(sums)}\n{text[end:]}", "utf-8", newline="\n")


def table(sums: dict[str, Sum]) -> str:
    """The sums as a table in Markdown."""
    heads = (
        "Target",
        "Promise",
        "Inputs run",
        "Minutes",
        "Of the processor",
        "Edges reached",
        "Slowest input",
    )
    rows = [
        "| " + " | ".join((*heads, "Found and mended", "Open")) + " |",
        "|---|---|" + "---:|" * 6 + "---|",
    ]
    for name in HOMES:
        one = sums.get(name, Sum())
        found = ", ".join(one.found) or "none"
        covered = str(one.covered) if one.covered else "not counted"
        rows.append(
            f"| `{name}` | {target(name).promise} | {one.runs:,} | {one.seconds / 60:.1f} "
            f"| {one.processor_s / 60:.1f} | {covered} "
            f"| {one.slowest_s * 1000:.0f} ms | {len(one.mended) or 'none'} | {found} |"
        )
    runs, minutes = sum(one.runs for one in sums.values()), sum(one.seconds for one in sums.values()) / 60
    busy = sum(one.processor_s for one in sums.values()) / 60
    rows.append(f"| **all** | | **{runs:,}** | **{minutes:.1f}** | {busy:.1f} | | | | |")
    return "\n".join(rows) + "\n"


def minimise(name: str, folder: Path) -> int:
    """Write the committed corpus of the target from what the folder holds; how many inputs it has.

    Of what was there and what was reached since, the inputs that are worth keeping (``cover``), up to
    LONGEST_INPUT; and every input that ever broke something, whole.
    """
    fitting = [
        path for path in (folder / "kept" / name).glob("*") if 0 < path.stat().st_size <= LONGEST_INPUT
    ]
    fitting.sort(key=lambda path: (path.stat().st_size, path.name))
    step = max(1.0, len(fitting) / MOST_LOOKED_AT)
    inputs = [fitting[int(number * step)].read_bytes() for number in range(min(len(fitting), MOST_LOOKED_AT))]
    chosen = worth_keeping(target(name), inputs, MOST_INPUTS)
    return corpus.write(name, [*chosen, *broken(name, folder)])


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.run", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0, help="for all targets together")
    parser.add_argument("--target", action="append", choices=list(HOMES), help="only these")
    parser.add_argument("--folder", type=Path, default=FOLDER, help="where the work is kept")
    parser.add_argument(
        "--engine", choices=["atheris", "plain"], default="atheris" if find_spec("atheris") else "plain"
    )
    parser.add_argument("--turns", type=int, default=1, help="go round the targets so many times")
    parser.add_argument("--table", action="store_true", help="print the sums so far and end")
    parser.add_argument("--publish", action="store_true", help="put the table into docs/assurance.md and end")
    parser.add_argument(
        "--minimise", action="store_true", help="write tests/fuzz/corpus from the folder and end"
    )
    return parser.parse_args()


def main() -> int:
    """Do what the command line says; 0 if nothing was found."""
    asked = _arguments()
    names = asked.target or list(HOMES)
    sums = read_sums(asked.folder)
    if asked.table:
        print(table(sums), end="")  # noqa: T201
        return 0
    if asked.minimise or asked.publish:
        for name in names if asked.minimise else ():
            print(f"{name}: {minimise(name, asked.folder)} inputs", flush=True)  # noqa: T201
        if asked.publish:
            publish(sums)
        return 0
    shares = {name: target(name).share for name in names}
    for _ in range(asked.turns):
        # first those that had the least of their share
        for name in sorted(names, key=lambda name: sums.get(name, Sum()).seconds / shares[name]):
            seconds = asked.minutes * 60 / asked.turns * shares[name] / sum(shares.values())
            sums[name] = work_on(name, seconds, asked.folder, asked.engine, sums.get(name, Sum()))
            stored = {name: asdict(one) for name, one in sums.items()}
            (asked.folder / "sums.json").write_text(json.dumps(stored, indent=1), "utf-8")
            print(f"{name}: {sums[name]}", flush=True)  # noqa: T201
    print(table(sums), end="")  # noqa: T201
    return 1 if any(sums[name].found for name in names) else 0


if __name__ == "__main__":
    sys.exit(main())
