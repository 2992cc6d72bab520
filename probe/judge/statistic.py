"""Exact statistics of few events: confidence bounds of a share, percentiles, the interval of a median.

Own formulas, because scipy is no dependency of a tool that runs at the gear; the tests hold them against
scipy and numpy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

from probe.judge.limit import Interval


def percentile(ordered: Sequence[float], percent: float) -> float:
    """Smallest value x of the sample with at least percent of the sample at or below x (nearest rank).

    ordered: values in rising order, not empty; lost packets as infinity (their delay is undefined and
    counts as longer than any, RFC 2681). percent: 0 < percent <= 100.
    Source: RFC 2330, 11.3 (empirical distribution function; numpy calls it ``inverted_cdf``).
    """
    rank = math.ceil(percent / 100 * len(ordered) - 1e-12)
    return ordered[max(rank, 1) - 1]


@lru_cache(maxsize=4096)
def share_bounds(events: int, trials: int, confidence: float = 0.95) -> Interval:
    """Two-sided Clopper-Pearson bounds of the true share, given events in trials; 0..1 without trials.

    Source: Clopper and Pearson, Biometrika 26 (1934), as beta quantiles (held against scipy).
    """
    if trials == 0:
        return Interval(0.0, 1.0)
    tail = (1 - confidence) / 2
    low = 0.0 if events == 0 else _beta_quantile(tail, events, trials - events + 1)
    high = 1.0 if events == trials else _beta_quantile(1 - tail, events + 1, trials - events)
    return Interval(low, high)


def trials_to_show(share: float, confidence: float = 0.95) -> int:
    """Trials without any event that put the upper two-sided bound at or below share (0 < share < 1)."""
    return math.ceil(math.log((1 - confidence) / 2) / math.log(1 - share))


@lru_cache(maxsize=512)
def median_ranks(count: int, confidence: float = 0.95) -> tuple[int, int] | None:
    """Ranks (1 first) of the order statistics that enclose the median; None for too few values.

    Distribution free: only needs independent values. None below 6 values at 95 percent.
    Source: binomial order statistics, textbook formula from memory, held against scipy's binomial law.
    """
    tail = (1 - confidence) / 2
    rank = _binomial_half_rank(count, tail)
    return None if rank < 1 else (rank, count - rank + 1)


def median_interval(ordered: Sequence[float], confidence: float = 0.95) -> Interval | None:
    """Interval that holds the median of what the sample stands for; None for too few values."""
    ranks = median_ranks(len(ordered), confidence)
    return None if ranks is None else Interval(ordered[ranks[0] - 1], ordered[ranks[1] - 1])


def _binomial_half_rank(count: int, tail: float) -> int:
    """Largest r with P(B <= r - 1) <= tail for B binomial(count, 1/2); 0 if there is none."""
    allowed = int(tail * 2**60) * 2**count >> 60 if count <= 2000 else -1
    if allowed < 0:  # a normal law is right to a rank for such counts
        return max(0, math.floor(count / 2 - 1.959964 * math.sqrt(count) / 2))
    total, term, rank = 0, 1, 0
    while total + term <= allowed:
        total += term
        term = term * (count - rank) // (rank + 1)
        rank += 1
    return rank


def _beta_quantile(probability: float, a: float, b: float) -> float:
    """x with I_x(a, b) == probability, to 1e-12, by halving (the function rises)."""
    low, high = 0.0, 1.0
    while high - low > 1e-13:
        middle = (low + high) / 2
        if _incomplete_beta(middle, a, b) < probability:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _incomplete_beta(x: float, a: float, b: float) -> float:
    """Regularized incomplete beta function I_x(a, b) for 0 < x < 1.

    Source: continued fraction of the Digital Library of Mathematical Functions 8.17.22 (from memory).
    """
    if x > (a + 1) / (a + b + 2):  # the fraction converges fast on one side only
        return 1 - _incomplete_beta(1 - x, b, a)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    return front / a * _continued_fraction(x, a, b)


def _continued_fraction(x: float, a: float, b: float) -> float:
    """Value of the fraction by Lentz's method."""
    c, d = 1.0, 1 / (1 - (a + b) * x / (a + 1))
    value = d
    for m in range(1, 1000):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for step in (even, odd):
            d = 1 / (1 + step * d)
            c = 1 + step / c
            value *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return value
