"""How narrow the clock interval gets with the number of readings; reproduces the claim in docs.

    python bench/clock.py [--trials 4000] [--seed 1]

Clocks of 1 s resolution with a random offset, round trips even in 4..30 ms, the clock read at a random
instant inside the round trip. Compared: readings at random instants, and aimed ones. Every trial checks that
the interval holds the true offset.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
from collections.abc import Callable

from probe.judge.clock_aim import next_send_ns
from probe.judge.clock_region import ClockRegion, Stamp

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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=4000)
    parser.add_argument("--readings", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print(f"{options.trials} trials, seed {options.seed}; width of the interval in ms")
    print("readings   random: median   95 %      aimed: median   95 %")
    columns = {}
    for choose in (random_instants, aimed):
        rng = random.Random(options.seed)
        columns[choose] = list(
            zip(*(trial(choose, options.readings, rng) for _ in range(options.trials)), strict=True)
        )
    for n in range(options.readings):
        row = []
        for choose in (random_instants, aimed):
            widths = sorted(columns[choose][n])
            row += [statistics.median(widths), widths[math.ceil(0.95 * len(widths)) - 1]]
        print(f"{n + 1:8d}   {row[0]:14.1f} {row[1]:6.1f}      {row[2]:13.1f} {row[3]:6.1f}")


if __name__ == "__main__":
    main()
