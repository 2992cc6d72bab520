"""Statistics against scipy, numpy and published numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from probe.judge.statistic import median_interval, median_ranks, percentile, share_bounds, trials_to_show

# Clopper-Pearson, two-sided 95 %: values recomputed with scipy's beta quantiles when they were collected.
TWO_SIDED = [
    (0, 100, 0, 0.036217),
    (1, 100, 0.000253, 0.054459),
    (5, 100, 0.016432, 0.112835),
    (10, 1000, 0.004806, 0.018313),
    (3, 3600, 0.000172, 0.002433),
    (100, 100, 0.963783, 1),
]


@pytest.mark.parametrize(("events", "trials", "low", "high"), TWO_SIDED)
def test_published_bounds(events: int, trials: int, low: float, high: float) -> None:
    bounds = share_bounds(events, trials)
    assert bounds.low == pytest.approx(low, abs=1e-6)
    assert bounds.high == pytest.approx(high, abs=1e-6)


@pytest.mark.parametrize("trials", [1, 2, 7, 50, 999, 20_000])
def test_bounds_like_scipy(trials: int) -> None:
    for events in {0, 1, trials // 3, trials // 2, trials - 1, trials}:
        bounds = share_bounds(events, trials, 0.99)
        exact = stats.binomtest(events, trials).proportion_ci(0.99, method="exact")
        assert bounds.low == pytest.approx(exact.low, abs=1e-9)
        assert bounds.high == pytest.approx(exact.high, abs=1e-9)


def test_zero_failures() -> None:
    """RFC 2544 style statement: upper one-sided 95 % bound is 1 - 0.05 ** (1/n), so two-sided 90 %."""
    for trials, upper in ((60, 0.048703), (100, 0.029513), (300, 0.0099361), (1000, 0.0029912)):
        assert share_bounds(0, trials, 0.90).high == pytest.approx(upper, abs=1e-6)


def test_trials_to_show() -> None:
    """One-sided 95 % (two-sided 90 %): 59, 299, 2995 and 29956 trials without a failure."""
    assert [trials_to_show(p, 0.90) for p in (0.05, 0.01, 0.001, 0.0001)] == [59, 299, 2995, 29956]
    for share in (0.2, 0.05, 0.01):
        needed = trials_to_show(share)
        assert share_bounds(0, needed).high <= share < share_bounds(0, needed - 1).high


def test_percentile_sample_of_rfc_2330() -> None:
    """RFC 2330, 11.3: the sample -2, 7, 7, 4, 18, -5 (from memory, recomputed)."""
    sample = sorted([-2, 7, 7, 4, 18, -5])
    assert [percentile(sample, p) for p in (15, 25, 50, 100)] == [-5, -2, 4, 18]


def test_percentiles_like_numpy() -> None:
    round_trips = [1.1, 1.2, 1.2, 1.3, 1.3, 1.4, 1.5, 1.6, 2.0, 9.8]
    assert [percentile(round_trips, p) for p in (50, 90, 95, 99)] == [1.3, 2.0, 9.8, 9.8]
    generator = np.random.default_rng(7)
    for size in (1, 2, 3, 10, 99, 1000):
        sample = sorted(generator.normal(size=size).tolist())
        for percent in (1, 5, 50, 90, 95, 99, 100):
            wanted = float(np.percentile(sample, percent, method="inverted_cdf"))
            assert percentile(sample, percent) == wanted


def test_lost_packets_count_as_longer_than_any() -> None:
    """RFC 2681: the delay of a lost packet is undefined; in percentiles it counts as infinite."""
    assert percentile([1.0] * 19 + [math.inf], 95) == 1.0
    assert percentile([1.0] * 18 + [math.inf] * 2, 95) == math.inf


@pytest.mark.parametrize("count", [1, 5, 6, 7, 20, 73, 200, 1999, 2001, 50_000])
def test_median_ranks_like_the_binomial_law(count: int) -> None:
    ranks = median_ranks(count)
    lower = int(stats.binom.ppf(0.025, count, 0.5))  # smallest k with P(B <= k) >= 0.025
    if lower == 0:
        assert ranks is None
        return
    assert ranks is not None
    assert abs(ranks[0] - lower) <= (0 if count <= 2000 else 2)
    assert ranks[1] == count - ranks[0] + 1


def test_median_interval_covers() -> None:
    generator = np.random.default_rng(3)
    hits = 0
    for _ in range(400):
        sample = sorted(generator.exponential(size=25).tolist())
        bounds = median_interval(sample)
        assert bounds is not None
        hits += bounds.low <= math.log(2) <= bounds.high
    assert hits >= 372  # 95 % of 400 is 380; 372 is three standard deviations below a true 96 %
