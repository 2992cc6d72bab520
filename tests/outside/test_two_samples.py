"""Tests of two samples against scipy."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy import stats

from probe.judge.two_samples import FEWEST, same_share, shift


def _sample(dice: random.Random, many: int, middle: float, digits: int) -> list[float]:
    return [round(dice.gauss(middle, 2.0), digits) for _ in range(many)]


@pytest.mark.parametrize("digits", [6, 1, 0])
@pytest.mark.parametrize("sizes", [(8, 8), (20, 31), (100, 60)])
@pytest.mark.parametrize("by", [0.0, 0.7, -3.0])
def test_the_rank_test_is_scipys_with_ties_and_continuity(
    digits: int, sizes: tuple[int, int], by: float
) -> None:
    dice = random.Random(f"{digits} {sizes} {by}")
    before, after = _sample(dice, sizes[0], 10.0, digits), _sample(dice, sizes[1], 10.0 + by, digits)
    found = shift(before, after)
    assert found is not None
    theirs = stats.mannwhitneyu(after, before, alternative="two-sided", method="asymptotic").pvalue
    assert found.share == pytest.approx(min(theirs, 1.0), abs=1e-12)


def test_the_shift_is_the_median_of_all_differences() -> None:
    dice = random.Random(7)
    before, after = _sample(dice, 15, 10, 6), _sample(dice, 18, 13, 6)
    found = shift(before, after)
    assert found is not None
    assert found.middle == pytest.approx(float(np.median(np.subtract.outer(after, before))))
    assert found.bounds.low < found.middle < found.bounds.high


def test_the_bounds_hold_the_true_shift_as_often_as_they_say() -> None:
    """Of 400 pairs of samples about 95 in 100; below 91 would happen by chance once in 5,000."""
    dice = random.Random(95)
    held = 0
    for _ in range(400):
        before, after = _sample(dice, 12, 10, 6), _sample(dice, 12, 11.5, 6)
        found = shift(before, after)
        assert found is not None
        held += found.bounds.low <= 1.5 <= found.bounds.high
    assert held >= 364


def test_too_few_values_say_nothing_and_alike_ones_no_change() -> None:
    assert shift([1.0] * (FEWEST - 1), [9.0] * 50) is None
    alike = shift([5.0] * 10, [5.0] * 10)
    assert alike is not None
    assert (alike.share, alike.middle) == (1.0, 0.0)


def test_large_samples_are_thinned_not_refused() -> None:
    dice = random.Random(3)
    found = shift(_sample(dice, 5000, 10, 6), _sample(dice, 5000, 12, 6))
    assert found is not None
    assert found.share < 1e-6
    assert found.middle == pytest.approx(2.0, abs=0.5)


@pytest.mark.parametrize(
    "table", [(0, 10, 5, 10), (1, 40, 9, 40), (3, 7, 3, 7), (2, 1000, 30, 1200), (0, 5, 0, 9), (5, 5, 9, 9)]
)
def test_the_exact_test_is_scipys(table: tuple[int, int, int, int]) -> None:
    a, m, b, n = table
    theirs = stats.fisher_exact([[a, m - a], [b, n - b]]).pvalue
    assert same_share(a, m, b, n) == pytest.approx(float(theirs), rel=1e-6)


def test_without_trials_nothing_is_unlike() -> None:
    assert same_share(0, 0, 5, 10) == 1.0
