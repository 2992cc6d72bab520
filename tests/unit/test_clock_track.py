"""What a series of clock readings amounts to: steady, torn, jumped, stopped, cached."""

import math
import random
from datetime import UTC, datetime

import pytest

from probe.judge.clock_region import ClockRegion, Stamp, region_of
from probe.judge.clock_track import Behaviour, _leads, is_torn, track

S = 1_000_000_000
MS = 1_000_000


def ns(*when: int) -> int:
    return int(datetime(*when, tzinfo=UTC).timestamp()) * S  # type: ignore[arg-type, misc]


def stamp_at(local: int, offset: int, trip: int = 10 * MS, q: int = S) -> Stamp:
    """A reading made at the middle of its round trip."""
    return Stamp(local - trip // 2, local + trip // 2, (local + offset) // q * q, q)


def test_one_reading_leaves_its_step_and_its_round_trip() -> None:
    region = ClockRegion.of_first(Stamp(0, 20 * MS, 5 * S, S), drift_bound_ppm=0)
    assert region.offset_at(0) == pytest.approx((5 * S - 20 * MS, 6 * S), abs=10)


def test_readings_intersect() -> None:
    stamps = [stamp_at(i * 1_300 * MS, offset=250 * MS) for i in range(10)]
    region = region_of(stamps, 100)
    assert region is not None
    bounds = region.offset_at(stamps[-1].received_ns)
    assert bounds.low <= 250 * MS <= bounds.high
    assert bounds.width < 130 * MS


def test_steady_clock_counts_all() -> None:
    found = track([stamp_at(i * 1_370 * MS, offset=-3 * S) for i in range(8)], 100)
    assert found.behaviour is Behaviour.STEADY
    assert found.counted == tuple(range(8))


def test_jump_is_told_and_the_last_stretch_counts() -> None:
    before = [stamp_at(i * 1_100 * MS, offset=0) for i in range(5)]
    after = [stamp_at(6 * S + i * 1_100 * MS, offset=3_600 * S) for i in range(4)]
    found = track(before + after, 100)
    assert found.behaviour is Behaviour.JUMPED
    assert found.jumps == (5,)
    assert found.region is not None
    assert found.region.offset_at(10 * S).low > 3_598 * S


def test_too_few_after_a_change_are_not_explained_away() -> None:
    before = [stamp_at(i * 1_100 * MS, offset=0) for i in range(5)]
    found = track([*before, stamp_at(6 * S, offset=50 * S)], 100)
    assert found.behaviour is Behaviour.UNSETTLED


def test_stopped_clock() -> None:
    assert track([Stamp(i * S, i * S + MS, 7 * S, S) for i in range(4)], 100).behaviour is Behaviour.STOPPED


def test_a_clock_asked_twice_within_its_step_has_not_stopped() -> None:
    assert track([stamp_at(100 * MS, 0), stamp_at(200 * MS, 0)], 100).behaviour is Behaviour.STEADY


def test_cached_stamps_give_a_lower_bound_only() -> None:
    """A gateway that renews its copy every 5 s; the clock itself is right."""
    stamps = [Stamp(t, t + 5 * MS, t // (5 * S) * 5 * S, S) for t in range(0, 20 * S, 1_500 * MS)]
    found = track(stamps, 100)
    assert found.behaviour is Behaviour.CACHED
    assert found.region is None
    assert found.lower_bound_ns is not None
    assert found.lower_bound_ns <= 0


@pytest.mark.parametrize(
    ("torn", "around"),
    [
        ((2026, 3, 14, 9, 26, 0), (2026, 3, 14, 9, 27, 0)),  # seconds new, minute old
        ((2026, 3, 14, 9, 27, 59), (2026, 3, 14, 9, 27, 0)),  # minute new, seconds old
        ((2027, 12, 31, 23, 59, 59), (2027, 1, 1, 0, 0, 0)),  # year new, all else old
        ((2026, 3, 15, 23, 59, 59), (2026, 3, 15, 0, 0, 0)),  # date new, time old
    ],
)
def test_torn_stamp_is_recognised_and_set_aside(torn: tuple[int, ...], around: tuple[int, ...]) -> None:
    rollover = ns(*around)
    base = rollover - 3 * S
    good = [stamp_at(i * 700 * MS, offset=base) for i in range(4)]
    bad = Stamp(3_000 * MS - 5 * MS, 3_000 * MS + 5 * MS, ns(*torn), S)
    later = [stamp_at(3_500 * MS + i * 700 * MS, offset=base) for i in range(3)]
    found = track([*good, bad, *later], 100)
    assert found.torn == (4,)
    assert found.behaviour is Behaviour.STEADY
    assert 4 not in found.counted


def test_torn_first_reading_is_no_jump() -> None:
    base = ns(2026, 3, 14, 9, 27, 0)
    bad = Stamp(-5 * MS, 5 * MS, ns(2026, 3, 14, 9, 26, 0), S)
    found = track([bad, *(stamp_at(300 * MS + i * 700 * MS, offset=base) for i in range(4))], 100)
    assert found.torn == (0,)
    assert not found.jumps


def test_a_wrong_stamp_that_is_no_mixture_is_not_called_torn() -> None:
    base = ns(2026, 3, 14, 9, 26, 57)
    good = [stamp_at(i * 700 * MS, offset=base) for i in range(4)]
    odd = Stamp(2_900 * MS, 2_910 * MS, ns(2026, 3, 14, 9, 41, 0), S)
    found = track([*good, odd, stamp_at(3_600 * MS, offset=base)], 100)
    assert found.stray == (4,)
    assert not is_torn(odd, region_of(good, 100))  # type: ignore[arg-type]


def test_drift_is_bounded_by_the_readings_alone() -> None:
    """A clock that gains 80 ppm, read over an hour: bounds hold it and are narrower than what was assumed."""
    rng, stamps, t = random.Random(5), [], 0
    while t < 3_600 * S:
        trip = rng.randrange(4 * MS, 30 * MS)
        shown = math.floor((t + trip * rng.random()) * (1 + 80e-6) / S) * S
        stamps.append(Stamp(t, t + trip, shown, S))
        t += rng.randrange(20 * S, 70 * S)
    region = region_of(stamps, 500)
    assert region is not None
    drift = region.drift_ppm()
    assert drift.low <= 80 <= drift.high
    assert drift.width < 120


@pytest.mark.parametrize(("lead_ms", "leads"), [(-50, False), (50, True), (1_090, True), (1_110, False)])
def test_a_stamp_leads_by_a_step_and_its_round_trip_at_most(lead_ms: int, leads: bool) -> None:
    """Known exactly, then a reading of 100 ms round trip and a step of a second that is ahead by so much."""
    region = region_of([Stamp(0, 0, 5 * 1_000 * MS, 0)], 1e-6)
    assert region is not None
    late = Stamp(0, 100 * MS, (5_100 + lead_ms) * MS, 1_000 * MS)
    assert _leads(late, region) is leads
