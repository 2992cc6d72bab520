"""Soak: does what lives long stay level while faults come and go? Writes its section of RESULTS.md.

    python -m bench.soak --sweeps 96                a day of a sweep each quarter of an hour
    python -m bench.soak --sweeps 0 --from FOLDER   tell again from what was measured into the folder

Two processes are watched from inside after each run (``soak_subject``): one that sweeps by its time table and
one that audits again and again; the lineup and its faults are a third (``soak_gear``). Told is the slope over
the runs after the first third (caches fill), with its 95 % interval by batch means: eight batches of
neighbouring runs, a straight line through their means, Student's t with six degrees of freedom. Neighbouring
runs hang together (caches, garbage, weathers), so single runs must not be taken for independent.
"""

from __future__ import annotations

import argparse
import json
import platform
import socket
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

from bench.measuring import renew
from bench.soak_weather import WEATHERS

HERE = Path(__file__).parent
BATCHES = 8
T_95 = 2.447  # two-sided, BATCHES - 2 degrees of freedom; a table of Student's t, from memory
WARM = 1 / 3
KINDS = ("sweeps", "audits")
PORTS = 16  # more than the lineup has addresses
HOLDS = {
    "uss_kib": "memory of its own, KiB",
    "rss_kib": "resident memory, KiB",
    "objects": "objects of Python",
    "handles": "file handles",
    "sockets": "sockets",
    "threads": "threads",
    "children": "child processes (the lineup is one)",
    "tasks": "tasks left in the loop",
}
Row = dict[str, Any]


class Slope(NamedTuple):
    """Growth a run, with its 95 % interval; first and last: means of the first and the last batch."""

    growth: float
    plus_minus: float
    first: float
    last: float

    @property
    def level(self) -> bool:
        """True if nothing grows, as far as this many runs can tell."""
        return self.growth - self.plus_minus <= 0


def slope(values: list[float]) -> Slope:
    """Slope of the values against their number, by batch means. Needs two values a batch."""
    size = len(values) // BATCHES
    if size < 2:
        raise ValueError(f"{len(values)} runs are too few: {2 * BATCHES} are needed")
    kept = values[len(values) - size * BATCHES :]
    means = [statistics.fmean(kept[i * size : (i + 1) * size]) for i in range(BATCHES)]
    middles = [(i + 0.5) * size for i in range(BATCHES)]
    line = statistics.linear_regression(middles, means)
    rest = sum((y - line.intercept - line.slope * x) ** 2 for x, y in zip(middles, means, strict=True))
    spread = sum((x - statistics.fmean(middles)) ** 2 for x in middles)
    doubt = T_95 * (rest / (BATCHES - 2) / spread) ** 0.5
    return Slope(line.slope, doubt, means[0], means[-1])


def run(folder: Path, sweeps: int, seconds: float) -> None:
    """Both processes at once; what they say goes into the folder."""
    files = [(folder / f"{kind}.jsonl").open("w", encoding="utf-8") for kind in KINDS]
    started: list[subprocess.Popen[bytes]] = []
    port = 20_000 - PORTS
    for kind, file in zip(KINDS, files, strict=True):
        work = folder / kind
        work.mkdir(exist_ok=True)
        port = _free_ports(port + PORTS)  # each its own: the first may not listen yet
        command = [sys.executable, "-m", "bench.soak_subject", kind, work, port, sweeps, seconds]
        started.append(subprocess.Popen([str(word) for word in command], stdout=file, cwd=HERE.parent))
    try:
        codes = [process.wait() for process in started]
    finally:
        for process in started:
            process.kill()
        for file in files:
            file.close()
    if any(codes):
        sys.exit(f"a process of the soak failed: exit codes {codes}")


def _free_ports(first: int) -> int:
    """First of so many ports of loopback that nobody listens at, below those that systems give out."""
    for base in range(first, 30_000, PORTS):
        sockets = [socket.socket() for _ in range(PORTS)]
        try:
            for number, one in enumerate(sockets):
                one.bind(("127.0.0.1", base + number))
        except OSError:
            continue
        finally:
            for one in sockets:
                one.close()
        return base
    sys.exit("there are no sixteen free ports in a row")


def rows_of(file: Path) -> list[Row]:
    """What a process told, a row a run; a last line that was cut is left out."""
    lines = file.read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines if line.endswith("}")]


def section(told: dict[str, list[Row]]) -> str:
    """The section of RESULTS.md."""
    lines = [
        "<!-- bench.soak begins -->",
        "",
        "## Soak",
        "",
        f"Made by `python -m bench.soak` on {platform.system()} {platform.machine()}, Python "
        f"{platform.python_version()}. Ten practice devices, {len(WEATHERS)} weathers in turn: "
        + ", ".join(dict.fromkeys(name for name, _ in WEATHERS))
        + ".",
        "Growth a run after the first third, 95 % interval by batch means. Level: the interval reaches zero.",
    ]
    for kind, rows in told.items():
        lines += ["", *_table(kind, rows)]
    return "\n".join([*lines, "", "<!-- bench.soak ends -->", ""])


def _table(kind: str, rows: list[Row]) -> list[str]:
    what = {
        "sweeps": f"The process that sweeps: {len(rows)} sweeps, {len(rows) / 4:.0f} h of a time table "
        "of a quarter of an hour",
        "audits": f"The process that audits: {len(rows)} audits in one process and one event loop",
    }[kind]
    states = {
        state: sum(row["state"] == state for row in rows) for state in sorted({r["state"] for r in rows})
    }
    lines = [f"{what} ({', '.join(f'{number} {state}' for state, number in states.items())}).", ""]
    lines += [
        "| holds | first batch | last batch | growth a run | level |",
        "| --- | --- | --- | --- | --- |",
    ]
    warm = rows[round(len(rows) * WARM) :]
    for name, title in HOLDS.items():
        if kind == "sweeps" and name == "tasks":
            continue  # it has no loop of its own
        found = slope([float(row[name]) for row in warm])
        growth = f"{found.growth:+.2f} ± {found.plus_minus:.2f} | {'yes' if found.level else 'NO'}"
        lines.append(f"| {title} | {found.first:,.1f} | {found.last:,.1f} | {growth} |")
    return lines


def main() -> int:
    """Run, tell, 0 if all is level."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sweeps", type=int, default=96)
    parser.add_argument("--seconds", type=float, default=86_400.0, help="no new run after so long")
    parser.add_argument(
        "--from", dest="folder", type=Path, help="keep what is measured here, or read it here"
    )
    parser.add_argument("--output", type=Path, default=HERE / "RESULTS.md")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        if given.sweeps:
            run(folder, given.sweeps, given.seconds)
        told = {kind: rows_of(folder / f"{kind}.jsonl") for kind in KINDS}
    try:
        made = section(told)
    except ValueError as error:
        sys.exit(f"no slopes: {error} after the first third; give more --sweeps")
    print(made)
    renew(given.output, made)
    return 0 if "| NO |" not in made else 1


if __name__ == "__main__":
    sys.exit(main())
