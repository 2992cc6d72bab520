"""How far apart stamps must be: against every pair by brute force, and against simulated events."""

from __future__ import annotations

import random
from itertools import combinations

import pytest

from probe.judge.clock_fleet import Fleet, fleet_of, needs
from probe.judge.clock_region import Stamp, region_of
from probe.judge.clock_state import ClockState
from probe.judge.clock_track import Behaviour

S = 1_000_000_000


def state(tag: str, low_s: float, high_s: float, step_s: float = 1.0, **changes: object) -> ClockState:
    """A clock whose offset against this computer lies in these bounds (without drift, to compare exactly)."""
    at = 10 * S
    stamp = Stamp(at, at, at + 1_773_480_413 * S + round(low_s * S), round((high_s - low_s) * S))
    facts = {
        "tag": tag, "resolution_s": step_s, "tolerance_s": 2.0, "behaviour": Behaviour.STEADY, "readings": 3,
        "at_ns": at, "region": region_of([stamp], 1e-6),
    } | changes  # fmt: skip
    return ClockState(**facts)  # type: ignore[arg-type]


def fleet(*clocks: ClockState) -> Fleet:
    return fleet_of((clock.tag, clock) for clock in clocks)


def test_two_whole_second_clocks_that_agree_need_a_second_and_their_doubt() -> None:
    """Both known to 10 ms: 1 s + 2 x 20 ms at most, here 1 s + 20 ms (same bounds on both sides)."""
    found = fleet(state("A", -0.01, 0.01), state("B", -0.01, 0.01))
    assert found.worst is not None
    assert found.worst.raw_s == pytest.approx(1.02, abs=1e-6)
    assert found.worst.corrected_s == pytest.approx(1.02, abs=1e-6)


def test_an_offset_counts_only_as_long_as_it_is_not_taken_off() -> None:
    found = fleet(state("A", 0.0, 0.02, 0.001), state("B", 42.99, 43.01, 0.001))
    assert found.worst is not None
    assert found.worst.raw_s == pytest.approx(43.011, abs=1e-6)
    assert found.worst.corrected_s == pytest.approx(0.021, abs=1e-6)


def test_the_worst_pair_is_that_of_all_pairs() -> None:
    rng = random.Random(11)
    for _ in range(300):
        clocks = []
        for number in range(rng.randint(2, 9)):
            low = rng.uniform(-3, 3)
            clocks.append(state(f"T{number}", low, low + rng.uniform(0, 1), rng.choice((0.001, 1.0, 60.0))))
        found = fleet(*clocks)
        every = [needs(a, b).raw_s for a, b in combinations(found.members, 2)]
        assert found.worst is not None
        assert found.worst.raw_s == pytest.approx(max(every))
        assert len(found.pairs) == len(every)


def test_clocks_that_are_no_running_clock_are_left_out_with_the_reason() -> None:
    lost = state("C", 0, 1, behaviour=Behaviour.CACHED, region=None)
    blank = state("D", 0, 1, behaviour=Behaviour.UNSETTLED, readings=0, region=None)
    found = fleet_of([("A", state("A", 0, 0.1)), ("B", None), ("C", lost), ("D", blank)])
    assert [member.tag for member in found.members] == ["A"]
    assert found.worst is None
    assert found.left_out == {"B": "not measured", "C": "cached", "D": "shows no possible date"}


def test_no_clock_at_all() -> None:
    assert fleet_of([]).worst is None


def test_large_lineups_have_a_worst_pair_and_no_list_of_all() -> None:
    clocks = [state(f"T{n}", n / 1000, n / 1000 + 0.01) for n in range(700)]
    found = fleet(*clocks)
    assert found.worst is not None
    assert {found.worst.first, found.worst.second} == {"T0", "T699"}
    assert found.pairs == ()
    assert 1.0 < found.median_s < found.worst.raw_s


def test_stamps_further_apart_than_needed_never_lie_about_the_order() -> None:
    """3,000 pairs of events stamped by clocks somewhere in their bounds; about all differences occur."""
    rng = random.Random(3)
    told = 0
    for _ in range(3000):
        lows = [rng.uniform(-1, 1), rng.uniform(-1, 1)]
        widths = [rng.uniform(0, 0.4), rng.uniform(0, 0.4)]
        steps = [rng.choice((0.01, 1.0)), rng.choice((0.01, 1.0))]
        found = fleet(
            *(state(t, lo, lo + w, s) for t, lo, w, s in zip("AB", lows, widths, steps, strict=True))
        )
        assert found.worst is not None
        events = [rng.uniform(0, 4), rng.uniform(0, 4)]
        stamps = [
            (event + low + rng.uniform(0, width)) // step * step
            for event, low, width, step in zip(events, lows, widths, steps, strict=True)
        ]
        if abs(stamps[0] - stamps[1]) >= found.worst.raw_s + 1e-6:
            told += 1
            assert (stamps[0] < stamps[1]) == (events[0] < events[1])
    assert told > 300


def test_the_fleet_holds_for_the_last_reading_of_all() -> None:
    assert fleet(state("A", 0, 0.1, at_ns=7), state("B", 0, 0.1, at_ns=9)).at_ns == 9
