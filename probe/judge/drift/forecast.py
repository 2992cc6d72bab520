"""Forecast: when a clock's offset, followed over runs, will leave its tolerance, with that date's interval.

The rate is the median of all slopes between two runs, its bounds are those of Kendall's statistic: a few wild
runs do not bend it. Source: P. K. Sen, "Estimates of the Regression Coefficient Based on Kendall's Tau",
Journal of the American Statistical Association 63 (1968), 1379-1389 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf, sqrt
from typing import NamedTuple

Z_95 = 1.959964  # of the normal distribution, two-sided 95 %
FEWEST = 5
MOST = 400  # latest runs; their slopes are some 80,000
DAY_S = 86_400.0


class Offset(NamedTuple):
    """Bounds of (device - reference) in seconds, at a time in seconds (of any zero)."""

    at_s: float
    low_s: float
    high_s: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """Rate of a clock and when it leaves the tolerance.

    rate_s_per_day: estimate, low, high (95 %). earliest_s, latest_s: times in the zero of the offsets;
    ``latest_s`` is infinite where the rate may be none. runs: how many it rests on, since the clock was
    last set.
    """

    rate_s_per_day: tuple[float, float, float]
    earliest_s: float
    latest_s: float
    runs: int

    @property
    def is_certain(self) -> bool:
        """True if it leaves the tolerance at some time, at 95 %."""
        return self.latest_s < inf


def forecast(offsets: Sequence[Offset], tolerance_s: float, *, bound_ppm: float = 500.0) -> Forecast | None:
    """When the clock leaves [-tolerance, tolerance]; None with too few runs, or where it will not.

    offsets: oldest first. bound_ppm: a clock that moved by more between two runs was set; only the runs since
    then count.
    """
    used = _since_set(offsets, bound_ppm * 1e-6)[-MOST:]
    if len(used) < FEWEST:
        return None
    slopes = sorted(
        (_middle(b) - _middle(a)) / (b.at_s - a.at_s)
        for i, a in enumerate(used)
        for b in used[i + 1 :]
        if b.at_s > a.at_s
    )
    if not slopes:
        return None
    low, high = _bounds(slopes, len(used))
    rate = slopes[len(slopes) // 2]
    last = used[-1]
    crossings = [_crossing(last, one, tolerance_s) for one in (low, high)]
    if min(crossings) == inf:
        return None
    days = (rate * DAY_S, low * DAY_S, high * DAY_S)
    sure = low > 0 or high < 0
    return Forecast(days, min(crossings), max(crossings) if sure else inf, len(used))


def _since_set(offsets: Sequence[Offset], bound: float) -> Sequence[Offset]:
    """The offsets since the clock was last set: since the last step that no drift explains."""
    first = 0
    for at, (a, b) in enumerate(pairwise(offsets), start=1):
        allowance = bound * (b.at_s - a.at_s)
        if b.low_s - a.high_s > allowance or a.low_s - b.high_s > allowance:
            first = at
    return offsets[first:]


def _bounds(slopes: Sequence[float], runs: int) -> tuple[float, float]:
    """Bounds of the median slope at 95 %: the slopes whose ranks Kendall's statistic leaves open."""
    spread = Z_95 * sqrt(runs * (runs - 1) * (2 * runs + 5) / 18)
    lower = max(0, round((len(slopes) - spread) / 2) - 1)
    upper = min(len(slopes) - 1, round((len(slopes) + spread) / 2))
    return slopes[lower], slopes[upper]


def _crossing(last: Offset, rate: float, tolerance_s: float) -> float:
    """Earliest time at which the clock of this rate may stand outside; its last offset if it does already."""
    if rate > 0:
        room = tolerance_s - _middle(last)
    elif rate < 0:
        room = tolerance_s + _middle(last)
    else:
        return inf
    return last.at_s + max(0.0, room) / abs(rate)


def _middle(offset: Offset) -> float:
    return (offset.low_s + offset.high_s) / 2
