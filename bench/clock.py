"""How narrow the clock interval gets with the number of readings, and what clocks cost an audit.

    python -m bench.clock [--trials 4000] [--seed 1] [--repeats 3] [--output bench/RESULTS.md]

Clocks of 1 s resolution with a random offset, round trips even in 4..30 ms, the clock read at a random
instant inside the round trip. Compared: readings at random instants, and aimed ones. Every trial checks that
the interval holds the true offset. Then the healthy practice lineup is audited with and without its clocks.
Writes its own section of RESULTS.md, between two marks.
"""

from __future__ import annotations

import argparse
import asyncio
import math
import platform
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from bench.measuring import renew
from probe.collect.agent import audit, prepare
from probe.collect.inputs import open_lineup
from probe.judge.clock_aim import next_send_ns
from probe.judge.clock_region import ClockRegion, Stamp
from probe.model.lineup import Lineup
from probe.model.scope import Scope
from probe.practice.served import served_apart
from probe.wire.system_clock import SystemClock

BEGIN, END = "<!-- bench.clock begins -->", "<!-- bench.clock ends -->"

MS = 1_000_000
Q = 1_000_000_000
DRIFT_BOUND_PPM = 100.0

Send = Callable[[ClockRegion | None, list[float], int, random.Random], int]


def aimed(region: ClockRegion | None, trips: list[float], now: int, rng: random.Random) -> int:
    if region is None:
        return now + rng.randrange(Q)
    return next_send_ns(region.offset_at(now + Q // 2), Q, trips, now + 20 * MS)


def random_instants(region: ClockRegion | None, trips: list[float], now: int, rng: random.Random) -> int:
    return now + rng.randrange(Q)


def trial(choose: Send, readings: int, rng: random.Random) -> list[float]:
    """Widths in ms after each reading of one clock; raises if an interval ever misses the truth."""
    offset, drift = rng.uniform(-5e9, 5e9), rng.uniform(-50e-6, 50e-6)
    now, region, trips, widths = 0, None, [], []
    for _ in range(readings):
        sent = choose(region, trips, now, rng)
        trip = rng.uniform(4, 30) * MS
        read_at = sent + rng.random() * trip
        shown = math.floor((read_at * (1 + drift) + offset) / Q) * Q
        stamp = Stamp(sent, math.ceil(sent + trip), shown, Q)
        region = region.cut(stamp) if region else ClockRegion.of_first(stamp, DRIFT_BOUND_PPM)
        now = stamp.received_ns
        trips.append(trip)
        bounds = region.offset_at(now)
        truth = offset + drift * now
        if not bounds.low <= truth <= bounds.high:
            raise AssertionError(f"interval {bounds} misses the true offset {truth}")
        widths.append(bounds.width / MS)
    return widths


def table(trials: int, readings: int, seed: int) -> list[str]:
    """The widths after each reading, as Markdown."""
    columns = {}
    for choose in (random_instants, aimed):
        rng = random.Random(seed)
        columns[choose] = list(zip(*(trial(choose, readings, rng) for _ in range(trials)), strict=True))
    lines = [
        "| readings | random: median ms | 95 % | aimed: median ms | 95 % |",
        "| --- | --- | --- | --- | --- |",
    ]
    for n in range(readings):
        cells = []
        for choose in (random_instants, aimed):
            widths = sorted(columns[choose][n])
            cells += [statistics.median(widths), widths[math.ceil(0.95 * len(widths)) - 1]]
        lines.append(f"| {n + 1} | " + " | ".join(f"{cell:.1f}" for cell in cells) + " |")
    return lines


class _Nothing:
    """A ledger that keeps nothing."""

    def keep(self, evidence: object) -> int:
        return 1

    def expect(self, expectations: object) -> None: ...

    def conclude(self, findings: object, causes: object) -> None: ...

    def flush(self) -> None: ...


def audit_s(lineup: Lineup) -> tuple[float, int]:
    """Seconds and requests of one audit of all devices of a lineup."""
    scope = Scope(tags=tuple(lineup.map.by_tag))
    plan = prepare(lineup, scope)
    began = time.perf_counter()
    result = asyncio.run(
        audit(plan, ledger=_Nothing(), observers=(), clock=SystemClock(), stop=asyncio.Event())
    )
    return time.perf_counter() - began, result.requests


def without_clocks(lineup: Lineup) -> Lineup:
    """The same lineup with profiles that name no clock and the laptop as reference."""
    profiles = {name: replace(profile, clock=None) for name, profile in lineup.profiles.items()}
    clock = lineup.map.clock.model_copy(update={"reference": "laptop"})
    return replace(lineup, profiles=profiles, map=lineup.map.model_copy(update={"clock": clock}))


def costs(repeats: int) -> list[str]:
    """Wall time of audits of the healthy practice lineup, with and without clocks, as Markdown."""
    lines = ["| audit of the practice lineup, 27 devices | wall s | requests |", "| --- | --- | --- |"]
    with tempfile.TemporaryDirectory() as folder, served_apart("healthy", Path(folder)) as map_path:
        lineup, _ = open_lineup(map_path)
        for name, one in (("without clocks", without_clocks(lineup)), ("with clocks", lineup)):
            runs = [audit_s(one) for _ in range(repeats)]
            lines.append(f"| {name} | {min(runs)[0]:.2f} | {min(runs)[1]} |")
    return lines


def section(options: argparse.Namespace, command: str) -> str:
    """Our part of RESULTS.md."""
    machine = f"{platform.system()} {platform.machine()}, Python {platform.python_version()}"
    return "\n".join(
        [
            BEGIN,
            "",
            "## Clocks",
            "",
            f"Made by `{command}` on {machine}; the machine was shared.",
            f"Width of the interval of the offset, {options.trials} simulated clocks of whole seconds, round",
            "trips of 4 to 30 ms; the true offset lay in the interval in every trial.",
            "",
            *table(options.trials, options.readings, options.seed),
            "",
            "Clocks are read beside the other polls: least wall time of the repeats.",
            "",
            *costs(options.repeats),
            "",
            END,
            "",
        ]
    )


def main() -> None:
    """Measure, and write the section."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=4000)
    parser.add_argument("--readings", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--output", type=Path, default=Path(__file__).parent / "RESULTS.md")
    options = parser.parse_args()
    made = section(options, " ".join(["python -m bench.clock", *sys.argv[1:]]))
    print(made)
    renew(options.output, made)


if __name__ == "__main__":
    main()
