"""How often the diagnosis is right, how well it knows that, and what it costs: python -m bench.diagnosis

    python -m bench.diagnosis [--trials 200] [--healthy 1500] [--devices 1000] [--output bench/RESULTS.md]

Draws random lineups with one fault, two or none (``probe.practice.trial``), judges them down from the bytes
of their replies, and marks what was said. Writes its own section of RESULTS.md, between two marks, and the
picture of the calibration beside it. Bounded in count; two processes at most.
"""

from __future__ import annotations

import argparse
import os
import platform
import random
import sys
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

from bench.measuring import renew
from probe.collect.inputs import open_library
from probe.judge import conclude, judge_device
from probe.model.evidence import Exchange
from probe.practice.trial.exam import DELTA, HEALTHY, OF_DELTA, OF_ONE_PHASE, ONE_PHASE, Mark, drawn, sat
from probe.practice.trial.fault import FAULTS
from probe.practice.trial.lineup import RUN, Stock, scope_of

HERE = Path(__file__).parent
BEGIN, END = "<!-- diagnosis: begin -->", "<!-- diagnosis: end -->"
PICTURE = "diagnosis-calibration.svg"
PAIRS = (
    "byte order + reversed CT", "address + currents rolled", "scale + reversed CT",
    "scale + currents swapped", "scale + voltage missing", "wye or delta + reversed CT",
    "currents swapped + reversed CT", "reversed CT + currents rolled",
)  # fmt: skip
SEED = 1


@cache
def stock() -> Stock:
    """The profiles of the trials."""
    return Stock(open_library().get)


def one(task: tuple[str, int, bool]) -> Mark:
    """One trial marked, without the causes and truths (they need not travel between processes)."""
    fault, number, light = task
    return sat(fault, f"bench {SEED}/{number}", stock(), light=light)._replace(causes=(), truths=())


def marks(tasks: Sequence[tuple[str, int, bool]]) -> list[Mark]:
    """All trials marked."""
    with ProcessPoolExecutor(max_workers=min(2, os.cpu_count() or 1)) as pool:
        return list(pool.map(one, tasks, chunksize=16))


# tables ----------------------------------------------------------------------------------------------------


def by_fault(found: Sequence[Mark]) -> list[str]:
    """What came first for each fault, as Markdown."""
    lines = [
        "| fault put in | trials | right cause first | and its place, and what stays open | said instead |",
        "| --- | --- | --- | --- | --- |",
    ]
    for fault in dict.fromkeys(mark.fault for mark in found):
        mine = [mark for mark in found if mark.fault == fault]
        wrong = Counter(mark.said or "nothing" for mark in mine if not mark.right)
        instead = ", ".join(f"{said} {many}" for said, many in wrong.most_common(4))
        right, named = share(m.right for m in mine), share(m.named for m in mine)
        lines.append(f"| {fault} | {len(mine)} | {right} | {named} | {instead} |")
    right, named = share(m.right for m in found), share(m.named for m in found)
    return [*lines, f"| **all** | {len(found)} | **{right}** | **{named}** | |"]


def share(flags: Iterable[bool]) -> str:
    """How many are true, in percent."""
    listed = list(flags)
    return f"{100 * sum(listed) / len(listed):.1f} %" if listed else ""


def alarms(name: str, found: Sequence[Mark]) -> str:
    """A row of false alarms."""
    blamed, sound = sum(m.alarms for m in found), sum(m.sound for m in found)
    return f"| {name} | {len(found)} | {sound} | {blamed} | {100 * blamed / max(sound, 1):.2f} % |"


#: Edges of the bins of confidence, permille.
EDGES = (0, 300, 400, 500, 600, 700, 800, 900, 960, 1001)


def calibration(found: Sequence[Mark]) -> list[tuple[float, float, int]]:
    """For each bin of confidence: mean confidence, share that was exactly right, how many."""
    rows = []
    for low, high in pairwise(EDGES):
        mine = [m for m in found if low <= m.permille < high and m.said]
        if len(mine) >= 8:
            said = sum(m.permille for m in mine) / len(mine) / 1000
            rows.append((said, sum(m.exact for m in mine) / len(mine), len(mine)))
    return rows


def picture(rows: Sequence[tuple[float, float, int]]) -> str:
    """The calibration as SVG: confidence that was said against how often it was right, with 95 % bars."""
    size, edge = 360, 46
    span = size - 2 * edge

    def at(x: float, y: float) -> tuple[float, float]:
        return edge + x * span, size - edge - y * span

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size} {size}">',
        '<title>Calibration of the confidence</title><g font-family="sans-serif" font-size="12">',
        f'<rect width="{size}" height="{size}" fill="#ffffff"/>',
    ]
    for n in range(0, 11, 2):
        (x, y), (x0, y0) = at(n / 10, 0), at(0, n / 10)
        parts.append(f'<text x="{x:.0f}" y="{y + 18:.0f}" text-anchor="middle">{n * 10}</text>')
        parts.append(f'<text x="{x0 - 8:.0f}" y="{y0 + 4:.0f}" text-anchor="end">{n * 10}</text>')
        far_x, far_y = at(1, n / 10)
        parts.append(f'<path d="M{x0:.0f} {y0:.0f} L{far_x:.0f} {far_y:.0f}" stroke="#dddddd"/>')
    (x, y), (far_x, far_y) = at(0, 0), at(1, 1)
    parts.append(f'<path d="M{x} {y} L{far_x} {far_y}" stroke="#5b5b5b" stroke-dasharray="5 4"/>')
    for said, right, many in rows:
        half = 1.96 * (max(right * (1 - right), 0.25 / many) / many) ** 0.5
        x, low = at(said, max(right - half, 0))
        _, high = at(said, min(right + half, 1))
        _, middle = at(said, right)
        parts.append(f'<path d="M{x:.1f} {low:.1f} V{high:.1f}" stroke="#0b5cad" stroke-width="2"/>')
        parts.append(f'<circle cx="{x:.1f}" cy="{middle:.1f}" r="4" fill="#0b5cad"/>')
    parts.append(
        f'<text x="{size / 2}" y="{size - 8}" text-anchor="middle">confidence that was said, %</text>'
    )
    turn = f'transform="rotate(-90 14 {size / 2})"'
    parts.append(f'<text x="14" y="{size / 2}" text-anchor="middle" {turn}>right, % of such causes</text>')
    return "\n".join([*parts, "</g></svg>", ""])


# cost ------------------------------------------------------------------------------------------------------


def cost(devices: int) -> list[str]:
    """CPU time of judging so many devices on one core: sound ones, one in twenty faulty, and all faulty."""
    faults = [name for name in FAULTS if name not in ("nominal", "exchanged", "one for two")]
    lines = ["| lineups of | devices | faulty | judge, s | conclude with causes, s | together, s |",
             "| --- | --- | --- | --- | --- | --- |"]  # fmt: skip
    for title, every in (("sound devices", 0), ("a fault in each fourth lineup", 4), ("a fault each", 1)):
        judge_s = conclude_s = 0.0
        many = faulty = number = 0
        while many < devices:
            put_in = bool(every) and number % every == 0
            name = faults[number % len(faults)] if put_in else HEALTHY
            trial, truths, evidence = drawn(name, f"cost {number}", stock())
            lineup, scope = trial.lineup(), scope_of(trial)
            began = time.process_time()
            told = {tag: judge_device(lineup, scope, e, RUN) for tag, e in evidence.items()}
            halfway = time.process_time()
            conclude(lineup, scope, told, RUN)
            judge_s += halfway - began
            conclude_s += time.process_time() - halfway
            many += len(told)
            faulty += len({tag for truth in truths for tag in truth.tags})
            number += 1
        both = judge_s + conclude_s
        lines.append(f"| {title} | {many} | {faulty} | {judge_s:.2f} | {conclude_s:.2f} | {both:.2f} |")
    return lines


def garbled(many: int) -> list[str]:
    """CPU time of judging a device of whose registers nothing is right: all that is tried is in vain."""
    lines = ["| profile | devices | mean, ms | longest, ms |", "| --- | --- | --- | --- |"]
    times: dict[str, list[float]] = {}
    for number in range(many):
        trial, _, evidence = drawn(HEALTHY, f"garbled {number}", stock())
        lineup, scope, dice = trial.lineup(), scope_of(trial), random.Random(number)
        for tag, told in evidence.items():
            rows = tuple((n, _spoiled(one, dice)) for n, one in told.exchanges)
            spoiled = replace(told, exchanges=rows)
            began = time.process_time()
            judge_device(lineup, scope, spoiled, RUN)
            took = 1000 * (time.process_time() - began)
            times.setdefault(lineup.map.by_tag[tag].profile, []).append(took)
    for profile, all_ms in sorted(times.items()):
        mean, longest = sum(all_ms) / len(all_ms), max(all_ms)
        lines.append(f"| {profile} | {len(all_ms)} | {mean:.1f} | {longest:.1f} |")
    return lines


def _spoiled(one: Exchange, dice: random.Random) -> Exchange:
    """The exchange with random registers."""
    head = one.response[:9]
    return one._replace(response=head + dice.randbytes(len(one.response) - len(head)))


# the whole -------------------------------------------------------------------------------------------------


def section(options: argparse.Namespace, command: str) -> str:
    """Our part of RESULTS.md; the picture is written beside it."""
    single = marks([(fault, n, False) for fault in FAULTS for n in range(options.trials)])
    delta = marks([(fault, n, False) for fault in OF_DELTA for n in range(options.trials // 2)])
    phase = marks([(fault, n, False) for fault in OF_ONE_PHASE for n in range(options.trials // 2)])
    double = marks([(pair, n, False) for pair in PAIRS for n in range(options.trials // 2)])
    weak = marks([(fault, n, True) for fault in FAULTS for n in range(options.trials // 10)])
    sound = marks([(HEALTHY, n, False) for n in range(options.healthy)])
    light = marks([(HEALTHY, n, True) for n in range(options.healthy // 4)])
    corner = marks([(DELTA + HEALTHY, n, False) for n in range(options.healthy // 4)])
    alone = marks([(ONE_PHASE + HEALTHY, n, False) for n in range(options.healthy // 4)])
    rows = calibration([*single, *phase, *delta, *double])
    (options.output.parent / PICTURE).write_text(picture(rows), encoding="utf-8")
    machine = f"{platform.system()} {platform.machine()}, Python {platform.python_version()}"
    return "\n".join(
        [
            BEGIN, "", "## Diagnosis of readings", "",
            f"Made by `{command}` on {machine}; the machine was shared. Random lineups of 2 to 12 devices",
            "(`probe/practice/trial`), judged from the bytes of their replies. Loads above 10 % of rating.",
            "",
            "### One fault", "", *by_fault(single), "",
            "### One fault, systems of one phase", "", *by_fault(phase), "",
            "### One fault, a delta with a grounded corner", "", *by_fault(delta), "",
            "### Two faults at once", "",
            "Both at one device, or each at its own. Right: both are named.", "",
            *by_fault(double), "",
            "### One fault, loads of 1 to 9 % of rating", "",
            "Outside of what is promised: little current says little of angles.", "", *by_fault(weak), "",
            "### False alarms: sound devices that were blamed", "",
            "| lineups | trials | sound devices | blamed | share |", "| --- | --- | --- | --- | --- |",
            alarms("sound", sound), alarms("sound, loads of 1 to 9 %", light),
            alarms("sound, one phase", alone), alarms("sound, delta", corner),
            alarms("beside one fault", [*single, *phase, *delta]),
            alarms("beside two faults", double), "",
            "### Calibration of the confidence", "",
            f"![calibration]({PICTURE})", "",
            "Right means the very cause that was put in, also where physics leaves two open.", "",
            "| confidence said | right | causes |", "| --- | --- | --- |",
            *[f"| {100 * said:.0f} % | {100 * right:.0f} % | {many} |" for said, right, many in rows], "",
            "### Cost, on one core", "", *cost(options.devices), "",
            "A device whose registers are all random:", "", *garbled(40), "", END, "",
        ]
    )  # fmt: skip


def main() -> None:
    """Measure, and write the section."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=200, help="of each single fault")
    parser.add_argument("--healthy", type=int, default=1500, help="sound lineups")
    parser.add_argument("--devices", type=int, default=1000, help="for the cost")
    parser.add_argument("--output", type=Path, default=HERE / "RESULTS.md")
    options = parser.parse_args()
    made = section(options, " ".join(["python -m bench.diagnosis", *sys.argv[1:]]))
    print(made)
    renew(options.output, made)


if __name__ == "__main__":
    main()
