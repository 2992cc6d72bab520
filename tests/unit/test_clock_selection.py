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


@pytest.mark.parametrize(
    ("intervals", "bounds", "members"),
    [
        ({"A": (0, 2), "B": (0, 2), "C": (5, 6), "D": (5, 6)}, None, ""),  # half of all is no majority
        ({"A": (0, 2), "B": (0, 3), "C": (1, 2), "D": (5, 6), "E": (5, 6)}, (1, 2), "ABC"),
        (
            {"A": (0, 4), "B": (1, 2), "C": (3, 5)},
            (1, 4),
            "ABC",
        ),  # two pairs of one size: neither is preferred
        ({"A": (0, 9), "B": (1, 8), "C": (2, 7), "D": (3, 3)}, (3, 3), "ABCD"),
        ({"A": (0, 1), "B": (2, 3), "C": (4, 5)}, None, ""),
    ],
)
def test_a_majority_is_more_than_half(
    intervals: dict[str, tuple[float, float]], bounds: tuple[float, float] | None, members: str
) -> None:
    found = agreement({name: Bounds(*ends) for name, ends in intervals.items()})
    assert found.bounds == bounds
    assert found.members == tuple(members)
    assert set(found.false) == {*intervals} - {*members}


def by_rfc(intervals: list[Bounds]) -> tuple[float, float] | None:
    """Lowest and highest point in which all but the fewest possible overlap, fewer than half being false.

    Source: RFC 5905, 11.2.1: endpoints are counted from either side (without the count of midpoints).
    """
    ends = sorted(end for one in intervals for end in one)
    for allowed in range((len(intervals) + 1) // 2):
        hit = [
            end for end in ends if sum(b.low <= end <= b.high for b in intervals) >= len(intervals) - allowed
        ]
        if hit:
            return hit[0], hit[-1]
    return None


def test_the_selection_is_that_of_the_rfc() -> None:
    rng = random.Random(9)
    sizes = set()
    for _ in range(2_000):
        intervals = {}
        for name in "ABCDEFG"[: rng.randrange(1, 8)]:
            low = rng.randrange(0, 12)
            intervals[name] = Bounds(low, low + rng.randrange(0, 6))
        found = agreement(intervals)
        assert found.bounds == by_rfc(list(intervals.values()))
        assert {*found.members, *found.false} == {*intervals}
        sizes.add(len(found.members))
    assert sizes == {0, 1, 2, 3, 4, 5, 6, 7}


def test_if_most_tell_the_truth_and_the_others_stand_apart_it_lies_inside() -> None:
    rng = random.Random(4)
    for _ in range(1_000):
        count = rng.randrange(1, 7)
        true = [Bounds(-rng.random(), rng.random()) for _ in range(count)]
        false = [Bounds(low, low + 1) for low in rng.sample(range(2, 40, 2), rng.randrange(0, count))]
        mixed = [*true, *false]
        rng.shuffle(mixed)
        found = agreement({str(n): one for n, one in enumerate(mixed)}).bounds
        assert found is not None
        assert found.low <= 0 <= found.high
