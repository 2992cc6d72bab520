"""Agreement of reference clocks, and what stamps can put in order."""

import random

import pytest

from probe.judge.clock_region import Bounds
from probe.judge.clock_selection import agreement, order_needs


def test_three_of_four_agree_and_the_false_one_is_named() -> None:
    """The picture of RFC 5905, 11.2.1 in numbers of our own: A, B, C overlap in [2, 3], D stands apart."""
    found = agreement({"A": Bounds(0, 3), "B": Bounds(1, 5), "C": Bounds(2, 9), "D": Bounds(20, 21)})
    assert found.bounds == Bounds(2, 3)
    assert found.members == ("A", "B", "C")
    assert found.false == ("D",)


def test_two_that_differ_prove_nothing() -> None:
    found = agreement({"A": Bounds(0, 1), "B": Bounds(5, 6)})
    assert found.bounds is None
    assert set(found.false) == {"A", "B"}


def test_one_alone_is_taken() -> None:
    assert agreement({"A": Bounds(0, 1)}).bounds == Bounds(0, 1)


def test_none_is_none() -> None:
    assert agreement({}).bounds is None


def test_touching_intervals_agree() -> None:
    assert agreement({"A": Bounds(0, 1), "B": Bounds(1, 2)}).bounds == Bounds(1, 1)


def test_equal_whole_second_clocks_need_a_second_and_their_doubt() -> None:
    assert order_needs(Bounds(-0.01, 0.01), 1.0, Bounds(-0.01, 0.01), 1.0) == pytest.approx(1.02)


def test_order_is_never_wrong_at_or_above_the_need() -> None:
    """20,000 pairs of events stamped by simulated clocks inside their intervals."""
    rng = random.Random(2)
    told = 0
    for _ in range(20_000):
        bounds = [
            Bounds(m - w, m + w) for m, w in ((rng.uniform(-2, 2), rng.uniform(0, 0.5)) for _ in range(2))
        ]
        steps = [rng.choice((0.001, 0.1, 1.0)) for _ in range(2)]
        need = order_needs(bounds[0], steps[0], bounds[1], steps[1])
        events = [rng.uniform(0, 6), rng.uniform(0, 6)]
        stamps = [
            (event + rng.uniform(*b)) // step * step
            for event, b, step in zip(events, bounds, steps, strict=True)
        ]
        if abs(stamps[1] - stamps[0]) >= need + 1e-9:
            told += 1
            assert (stamps[1] > stamps[0]) == (events[1] > events[0])
    assert told > 1_000
