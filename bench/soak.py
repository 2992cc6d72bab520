"""Soak: does what lives long stay level while faults come and go? Writes its section of RESULTS.md.

    python -m bench.soak --sweeps 100               a day of a sweep each quarter of an hour, and an hour more
    python -m bench.soak --tell --from FOLDER       tell again from what was measured into the folder

Four processes are watched from inside after each run (``soak_subject``): one that sweeps by its time table,
one that audits again and again; when these are done, one that takes in the sweeps' records many times over,
which is all that a process that sweeps does itself, and one that does the same without reading them again, so
that the history goes through months. The lineup and its faults are another process (``soak_gear``).

The rule: of each quantity the slope over the second half of the runs, with its 95 % interval by batch means:
eight batches of neighbouring runs, a straight line through their means, Student's t with six degrees of
freedom. Neighbouring runs hang together (caches, garbage, weathers), so single runs must not be taken for
independent. Level: the interval covers zero. Shrinks, grows: it lies below, above. The first half is left to
stores that fill up to a bound. Beside it stands what the interval's upper end would come to in a year.
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
WARM = 1 / 2
A_YEAR = 4 * 24 * 365  # sweeps, one in a quarter of an hour
KINDS = ("sweeps", "audits", "replays", "digests")
PORTS = 16  # more than the lineup has addresses
HOLDS = {
    "uss_kib": "memory that no other process has mapped, KiB (grows when others end)",
    "rss_kib": "resident memory, KiB",
    "heap_kib": "memory that C code holds, KiB",
    "blocks": "blocks of memory that Python holds",
    "objects": "objects of Python that can hold others",
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
    def verdict(self) -> str:
        """Level, shrinks or grows, as far as this many runs can tell (see module)."""
        if self.growth - self.plus_minus > 0:
            return "GROWS"
        return "shrinks" if self.growth + self.plus_minus < 0 else "level"


def slope(values: list[float], every: int = 1) -> Slope:
    """Slope a run of the values, one of which was taken at every so many runs. Needs two values a batch."""
    size = len(values) // BATCHES
    if size < 2:
        raise ValueError(f"{len(values)} runs are too few: {2 * BATCHES} are needed")
    kept = values[len(values) - size * BATCHES :]
    means = [statistics.fmean(kept[i * size : (i + 1) * size]) for i in range(BATCHES)]
    middles = [(i + 0.5) * size * every for i in range(BATCHES)]
    line = statistics.linear_regression(middles, means)
    rest = sum((y - line.intercept - line.slope * x) ** 2 for x, y in zip(middles, means, strict=True))
    spread = sum((x - statistics.fmean(middles)) ** 2 for x in middles)
    doubt = T_95 * (rest / (BATCHES - 2) / spread) ** 0.5
    return Slope(line.slope, doubt, means[0], means[-1])


def run(folder: Path, sweeps: int, replays: int, digests: int, seconds: float) -> None:
    """Sweeps and audits at once, then the two others; what they say goes into the folder."""
    if sweeps:
        _together(folder, {"sweeps": sweeps, "audits": sweeps}, seconds)
    _together(folder, {"replays": replays, "digests": digests}, seconds)


def _together(folder: Path, counts: dict[str, int], seconds: float) -> None:
    files = [(folder / f"{kind}.jsonl").open("w", encoding="utf-8") for kind in counts]
    started: list[subprocess.Popen[bytes]] = []
    port = 20_000 - PORTS
    for (kind, count), file in zip(counts.items(), files, strict=True):
        work = folder / kind
        work.mkdir(exist_ok=True)
        port = _free_ports(port + PORTS)  # each its own: the first may not listen yet
        command = [sys.executable, "-m", "bench.soak_subject", kind, work, port, count, seconds]
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
        "Growth a run over the second half, 95 % interval by batch means. Level: the interval covers zero;",
        "grows: it lies above. A year: what its upper end would come to, a sweep each quarter of an hour.",
    ]
    for kind, rows in told.items():
        lines += ["", *_table(kind, rows)]
    return "\n".join([*lines, "", "<!-- bench.soak ends -->", ""])


def _table(kind: str, rows: list[Row]) -> list[str]:
    runs, every = rows[-1]["n"] + 1, rows[1]["n"] - rows[0]["n"]
    what = {
        "sweeps": f"The process that sweeps: {runs} sweeps, {runs / 4:.0f} h of a time table "
        "of a quarter of an hour",
        "audits": f"The process that audits: {runs} audits in one process and one event loop",
        "replays": "The process that sweeps, without its audits: records of sweeps taken in "
        f"{runs} times, {runs / 4:.0f} h of the time table",
        "digests": "The same without reading the records again (lock, history, drift, alerts): "
        f"{runs} times, {runs / 96:.0f} days of the time table",
    }[kind]
    states = {
        state: sum(row["state"] == state for row in rows) for state in sorted({r["state"] for r in rows})
    }
    lines = [f"{what} ({', '.join(f'{number} {state}' for state, number in states.items())}).", ""]
    lines += [
        "| holds | first batch | last batch | growth a run | verdict | a year at most |",
        "| --- | ---: | ---: | ---: | --- | ---: |",
    ]
    warm = rows[round(len(rows) * WARM) :]
    for name, title in HOLDS.items():
        if kind != "audits" and name == "tasks":
            continue  # it has no loop of its own
        found = slope([float(row[name]) for row in warm], every)
        growth = (
            f"{found.growth:+.2f} ± {found.plus_minus:.2f} | {found.verdict} | {_a_year(kind, name, found)}"
        )
        lines.append(f"| {title} | {found.first:,.1f} | {found.last:,.1f} | {growth} |")
    return lines


def _a_year(kind: str, name: str, found: Slope) -> str:
    """What the upper end of the interval comes to in a year of sweeps; empty for audits."""
    most = max(0.0, found.growth + found.plus_minus) * A_YEAR
    if kind == "audits":
        return ""
    return f"{most / 1024:,.0f} MiB" if name.endswith("_kib") else f"{most:,.0f}"


def main() -> int:
    """Run, tell, 0 if all is level."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sweeps", type=int, default=100)
    parser.add_argument("--replays", type=int, default=1000)
    parser.add_argument("--digests", type=int, default=5000)
    parser.add_argument("--tell", action="store_true", help="measure nothing")
    parser.add_argument("--seconds", type=float, default=86_400.0, help="no new run after so long")
    parser.add_argument(
        "--from", dest="folder", type=Path, help="keep what is measured here, or read it here"
    )
    parser.add_argument("--output", type=Path, default=HERE / "RESULTS.md")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        if not given.tell:
            run(folder, given.sweeps, given.replays, given.digests, given.seconds)
        told = {kind: rows_of(folder / f"{kind}.jsonl") for kind in KINDS}
    try:
        made = section(told)
    except ValueError as error:
        sys.exit(f"no slopes: {error} in the second half; give more --sweeps, --replays")
    print(made)
    renew(given.output, made)
    return 0 if "| GROWS |" not in made else 1


if __name__ == "__main__":
    sys.exit(main())
