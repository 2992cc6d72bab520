"""The stated interval holds the truth in every trial in which its assumptions hold.

Simulated clocks with known offset and drift; no time passes. 10,000 clocks over resolutions, distributions of
the round trip (even, heavy-tailed, one-sided) and drifts within the stated bound.
"""

import math
import random
from collections.abc import Callable

import pytest

from probe.judge.clock_aim import next_send_ns
from probe.judge.clock_region import ClockRegion, Stamp
from probe.judge.clock_track import Behaviour, track

MS = 1_000_000
S = 1_000_000_000
DRIFT_BOUND_PPM = 200.0

Trip = Callable[[random.Random], tuple[float, float]]  # (way there, way back) in ns


def even(rng: random.Random) -> tuple[float, float]:
    return rng.uniform(2, 15) * MS, rng.uniform(2, 15) * MS


def heavy(rng: random.Random) -> tuple[float, float]:
    return rng.paretovariate(1.2) * MS, rng.paretovariate(1.2) * MS


def one_sided(rng: random.Random) -> tuple[float, float]:
    return 0.05 * MS, rng.uniform(5, 200) * MS


TRIPS: tuple[Trip, ...] = (even, heavy, one_sided)
RESOLUTIONS = (1 * MS, 10 * MS, 100 * MS, S, 60 * S)


def readings(
    trip: Trip, resolution: int, count: int, rng: random.Random
) -> tuple[list[Stamp], Callable[[int], float]]:
    """Aimed readings of one clock, and the clock's true offset at a local instant."""
    offset, drift = rng.uniform(-1e10, 1e10), rng.uniform(-DRIFT_BOUND_PPM, DRIFT_BOUND_PPM) * 1e-6
    now, region, trips, stamps = rng.randrange(S), None, [], []
    for _ in range(count):
        there, back = trip(rng)
        sent = now if region is None else next_send_ns(region.offset_at(now), resolution, trips[-8:], now)
        clock = (sent + there) * (1 + drift) + offset
        stamp = Stamp(
            sent, math.ceil(sent + there + back), math.floor(clock / resolution) * resolution, resolution
        )
        region = region.cut(stamp) if region else ClockRegion.of_first(stamp, DRIFT_BOUND_PPM)
        stamps.append(stamp)
        trips.append(there + back)
        now = stamp.received_ns + 20 * MS
    return stamps, lambda t: offset + drift * t


@pytest.mark.parametrize("trip", TRIPS, ids=lambda f: f.__name__)
@pytest.mark.parametrize("resolution", RESOLUTIONS)
def test_interval_holds_the_truth(trip: Trip, resolution: int) -> None:
    rng = random.Random(f"{trip.__name__} {resolution}")
    for _ in range(10_000 // (len(TRIPS) * len(RESOLUTIONS)) + 1):
        stamps, truth = readings(trip, resolution, 8, rng)
        found = track(stamps, DRIFT_BOUND_PPM)
        assert found.behaviour is Behaviour.STEADY
        assert found.region is not None
        for at in (stamps[0].sent_ns, stamps[-1].received_ns, stamps[-1].received_ns + 60 * S):
            bounds = found.region.offset_at(at)
            assert bounds.low <= truth(at) <= bounds.high
        drift = found.region.drift_ppm()
        assert drift.low <= (truth(S) - truth(0)) / 1000 <= drift.high


def test_a_clock_beyond_the_drift_bound_is_seen_once_it_shows() -> None:
    """Assumption broken: 2,000 ppm against a bound of 200; the tool must not go on as if all were well."""
    rng = random.Random(3)
    stamps, t = [], 0
    while t < 1_200 * S:
        trip = rng.uniform(4, 30) * MS
        clock = (t + rng.random() * trip) * 1.002
        stamps.append(Stamp(t, math.ceil(t + trip), math.floor(clock / S) * S, S))
        t += rng.randrange(5 * S, 25 * S)
    assert track(stamps, DRIFT_BOUND_PPM).behaviour is not Behaviour.STEADY
