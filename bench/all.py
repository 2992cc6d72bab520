"""Every bench in one go, as ratios with peers, and growth curves as SVG.

    python -m bench.all --quick            small sizes: does everything run, are the ratios in their order
    python -m bench.all                    the sizes of RESULTS.md (about an hour on a quiet computer)
    python -m bench.all --only record growth

Each bench is a process of its own and renews its own section of the results, or is kept whole in
bench/build/all/NAME.txt. ``--quick`` writes its results to bench/build/all/RESULTS.md, so that small sizes
never stand where QA looks. One that needs what this computer lacks is told as not run, never as passed.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

from bench.growth import GROWTHS
from bench.growth_svg import drawing, exponent
from bench.measuring import renew

HERE = Path(__file__).parent
KEPT = HERE / "build" / "all"
LIMIT_S = 7200.0


class Bench(NamedTuple):
    """Module, arguments for both sizes, True if it renews a section itself, programs that it needs."""

    module: str
    quick: str
    full: str
    renews: bool = False
    needs: tuple[str, ...] = ()


BENCHES = {
    "audit": Bench("bench.run", "--devices 10 100 --repeats 1", "--repeats 5 --patience 20", True, ("gcc",)),
    "link": Bench("bench.link", "--links 10 --reads 50 --rounds 1", ""),
    "judge": Bench("bench.judge", "--devices 50", ""),
    "electrical": Bench("bench.electrical", "--devices 60", ""),
    "record": Bench(
        "bench.record", "--megabytes 4 --devices 50 --repeats 1", "--dwell 120 --large 256", True
    ),
    "clock": Bench("bench.clock", "--trials 200 --repeats 1", "", True),
    "turnover": Bench("bench.turnover", "--copies 2 --repeats 1", "", True),
    "diagnosis": Bench("bench.diagnosis", "--trials 3 --healthy 20 --devices 50", "", True),
    "captures": Bench("bench.captures", "--packets 20000 --long 100000 --repeats 1", "", True, ("gcc",)),
    "history": Bench("bench.history", "--runs 80 --lineups 8 --peer-runs 40", "", True),
    "sites": Bench("bench.sites", "--sites 4 --devices 3 --at-once 2", "", True, ("gcc", "psql")),
    "soak": Bench("bench.soak", "--sweeps 34 --replays 40 --digests 400 --seconds 900", "--sweeps 100", True),
}


class Told(NamedTuple):
    """What became of one: a word, and seconds."""

    name: str
    command: str
    word: str
    seconds: float


def one(name: str, *, quick: bool, output: Path) -> Told:
    """Run a bench; its whole output is kept."""
    bench = BENCHES[name]
    words = [bench.module, *(bench.quick if quick else bench.full).split()]
    command = " ".join(["python -m", *words])
    missing = [program for program in bench.needs if shutil.which(program) is None]
    if missing:
        return Told(name, command, f"not run: needs {', '.join(missing)}", 0.0)
    if bench.renews:
        words += ["--output", str(output)]
    began = time.monotonic()
    try:
        done = subprocess.run(
            [sys.executable, "-m", *words], cwd=HERE.parent, capture_output=True, text=True, check=False,
            timeout=LIMIT_S,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return Told(name, command, "not done in time", LIMIT_S)
    (KEPT / f"{name}.txt").write_text(f"$ {command}\n{done.stdout}{done.stderr}", encoding="utf-8")
    word = "done" if done.returncode == 0 else f"exit code {done.returncode}"
    return Told(name, command, word, time.monotonic() - began)


def grown(*, quick: bool, folder: Path) -> tuple[list[str], list[Told]]:
    """Measure and draw every curve; lines for the results, and what became of each."""
    lines, told = ["| what | way | CPU s at the smallest | at the largest | grows as size to the |"], []
    lines.append("| --- | --- | --- | --- | --- |")
    for name, growth in GROWTHS.items():
        sizes = growth.quick if quick else growth.full
        began = time.monotonic()
        try:
            curve = growth.measure(sizes, 1 if quick else 3)
        except (OSError, subprocess.SubprocessError, SystemExit) as error:
            told.append(Told(f"growth of {name}", "", f"not run: {error}", 0.0))
            continue
        told.append(
            Told(f"growth of {name}", f"{sizes[0]:,} to {sizes[-1]:,}", "done", time.monotonic() - began)
        )
        svg = drawing(growth.title, growth.across, "CPU seconds", curve)
        (folder / f"growth-{name}.svg").write_text(svg, encoding="utf-8")
        (KEPT / f"growth-{name}.json").write_text(json.dumps(curve), encoding="utf-8")
        for way, points in curve.items():
            first, last = points[0], points[-1]
            lines.append(
                f"| {growth.title}, {first[0]:,} to {last[0]:,} {growth.across} | {way} | {first[1]:.4f} | "
                f"{last[1]:.3f} | {exponent(points):.2f} |"
            )
    pictures = [f"![{growth.title}](growth-{name}.svg)" for name, growth in GROWTHS.items()]
    return [*lines, "", *pictures], told


def main() -> int:
    """Run what is asked for; 0 if all of it was done."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", nargs="+", choices=[*BENCHES, "growth"], default=[*BENCHES, "growth"])
    parser.add_argument("--output", type=Path)
    given = parser.parse_args()
    KEPT.mkdir(parents=True, exist_ok=True)
    output = given.output or (KEPT if given.quick else HERE) / "RESULTS.md"
    told, curves = [], []
    for name in [known for known in BENCHES if known in given.only]:
        told.append(one(name, quick=given.quick, output=output))
        print(f"{told[-1].name:12} {told[-1].seconds:8.1f} s  {told[-1].word}", flush=True)
    if "growth" in given.only:
        curves, drawn = grown(quick=given.quick, folder=output.parent)
        told += drawn
    for line in told[len(told) - len(GROWTHS) :] if curves else ():
        print(f"{line.name:20} {line.seconds:8.1f} s  {line.word}")
    if curves:
        size = " --quick" if given.quick else ""
        begin, end = "<!-- bench.growth begins -->", "<!-- bench.growth ends -->"
        head = [
            "## Growth",
            "",
            f"Made by `python -m bench.all{size} --only growth`; least of the repeats.",
            "",
        ]
        renew(output, "\n".join([begin, "", *head, *curves, "", end, ""]))
    return 0 if all(each.word == "done" for each in told) else 1


if __name__ == "__main__":
    sys.exit(main())
