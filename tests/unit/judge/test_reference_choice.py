"""Reference clocks from their readings: intervals joined by drift, the false one of several."""

from __future__ import annotations

import random

import pytest

from probe.judge.clock_region import Stamp, region_of
from probe.judge.limit import Interval
from probe.judge.reference import Candidate, Tie, choose, listed_names

S = 1_000_000_000
WALL = 1_773_480_413 * S


def candidate(name: str, low_s: float, high_s: float, at_s: float = 1.0, ppm: float = 200.0) -> Candidate:
    """A reference read once, at one instant, with these bounds against the wall clock."""
    at = round(at_s * S)
    stamp = Stamp(at, at, at + WALL + round(low_s * S), round((high_s - low_s) * S))
    region = region_of([stamp], ppm)
    return Candidate(name, True, "", (1,), at_ns=at, region=region, tie=Tie(WALL))


def test_bounds_come_back_and_widen_with_drift() -> None:
    one = candidate("ntp:a", -0.010, 0.020)
    assert one.at(1 * S) == pytest.approx((-0.010, 0.020), abs=1e-7)
    later = one.at(101 * S)  # 100 s at 200 ppm: 20 ms on either side
    assert later == pytest.approx((-0.030, 0.040), abs=1e-7)


def test_readings_before_and_after_hold_each_other() -> None:
    """In the middle of two readings drift matters half as much as after the first alone."""
    stamps = [Stamp(at, at, at + WALL - 1_000_000, 2_000_000) for at in (0, 1000 * S)]
    region = region_of(stamps, 200.0)
    both = Candidate("tag:M", True, at_ns=1000 * S, region=region, tie=Tie(WALL)).at(500 * S)
    assert both.half_width == pytest.approx(0.001, abs=1e-4)
    alone = candidate("tag:M", -0.001, 0.001, at_s=0.0).at(500 * S)
    assert alone.half_width == pytest.approx(0.101, abs=1e-4)


def test_those_that_agree_are_taken_together() -> None:
    found = choose([candidate("ntp:a", -0.02, 0.01), candidate("tag:M", 0.0, 0.03)])
    assert found.usable
    assert found.name == "ntp:a and M"
    assert found.offset == pytest.approx((0.0, 0.01), abs=1e-7)
    assert found.false == ()


def test_the_false_one_of_three_is_named_and_left_out() -> None:
    named = [candidate("ntp:a", -0.02, 0.01), candidate("ntp:b", 9.9, 10.1), candidate("ntp:c", 0, 0.03)]
    found = choose(named)
    assert found.members == ("ntp:a", "ntp:c")
    assert found.false == ("ntp:b",)
    assert found.offset == pytest.approx((0.0, 0.01), abs=1e-7)


def test_two_that_differ_are_both_named_and_neither_is_used() -> None:
    found = choose([candidate("ntp:a", -0.02, 0.01), candidate("tag:M", 5.0, 5.1)])
    assert not found.usable
    assert found.false == ("ntp:a", "tag:M")
    assert "ntp:a -0.005 ± 0.015 s" in found.reason
    assert "M +5.050 ± 0.050 s" in found.reason


def test_one_that_cannot_be_used_leaves_the_other() -> None:
    gone = Candidate("ntp:b", False, "no answer within 1 s", (7,))
    found = choose([gone, candidate("ntp:a", -0.02, 0.01)])
    assert (found.usable, found.members) == (True, ("ntp:a",))


def test_none_that_can_be_used_gives_each_reason() -> None:
    found = choose([Candidate("ntp:a", False, "stratum 16"), Candidate("tag:M", False, "it did not answer")])
    assert not found.usable
    assert found.reason == "ntp:a: stratum 16; M: it did not answer"
    assert choose([Candidate("laptop", False, "why")]).reason == "why"


def test_one_that_states_no_bounds_has_no_vote() -> None:
    """A laptop whose system keeps silent has bounds of nothing; it must not outvote a server."""
    silent = Candidate("laptop", True, stated=False, fixed=Interval(0, 0))
    found = choose([silent, candidate("ntp:a", 3.0, 3.1)])
    assert (found.members, found.stated) == (("ntp:a",), True)
    alone = choose([silent])
    assert (alone.usable, alone.stated) == (True, False)


def test_elsewhere_in_the_run_bounds_that_part_are_joined_never_inverted() -> None:
    """Members that touch at one instant; at others the honest answer is wider, and never inside out."""
    found = choose([candidate("ntp:a", 0, 0.01, at_s=0), candidate("ntp:b", 0.005, 0.02, at_s=100)])
    for at_s in (-1000, 0, 50, 100, 2000):
        offset = found.at(round(at_s * S))
        assert offset.low <= offset.high


def test_true_references_always_agree_and_hold_the_truth() -> None:
    """2,000 sets of 2 to 5 references; most hold the truth in their intervals, a minority are false."""
    rng = random.Random(5)
    for _ in range(2000):
        truth, many = rng.uniform(-5, 5), rng.randint(2, 5)
        liars = rng.randint(0, (many - 1) // 2)
        named = []
        for number in range(many):
            width = rng.uniform(0.001, 0.3)
            low = truth - rng.uniform(0, width)
            lie = rng.choice((-1, 1)) * rng.uniform(1, 60) if number < liars else 0.0
            named.append(candidate(f"ntp:{number}", low + lie, low + width + lie))
        found = choose(named)
        assert found.usable
        assert found.offset.low - 1e-6 <= truth <= found.offset.high + 1e-6
        assert set(found.false) == {f"ntp:{n}" for n in range(liars)}


def test_names_in_a_row() -> None:
    assert listed_names(["tag:A", "ntp:b", "laptop"]) == "A, ntp:b and laptop"


def test_what_is_far_below_the_tolerance_does_not_part_two_references() -> None:
    """A master that rounds its milliseconds up: 0.2 ms outside the server's narrow bounds is no falsehood."""
    server, master = candidate("ntp:a", -0.00003, 0.00002), candidate("tag:M", 0.0002, 0.008)
    assert not choose([server, master]).usable
    found = choose([server, master], allowed_s=0.02)
    assert found.members == ("ntp:a", "tag:M")
    assert found.offset == pytest.approx((-0.00003, 0.008), abs=1e-7), "all their bounds together"
