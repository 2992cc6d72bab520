"""Two samples: is what was seen now other than what was seen before, or is it the noise?

Own formulas, because scipy is no dependency of a tool that runs at the gear; the tests hold them against
scipy.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from probe.judge.limit import Interval

#: Below so many values on a side the normal law of the rank sum is not close enough to be used.
FEWEST = 8
#: So many values of a side are used at most, spread over the whole: more cost time and tell no more.
MOST = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """By how much the second sample lies above the first. share: probability that chance alone does this.

    middle, bounds: of the shift, in the samples' unit; bounds at 95 percent.
    """

    share: float
    middle: float
    bounds: Interval


def shift(before: Sequence[float], after: Sequence[float]) -> Shift | None:
    """The shift between two samples by ranks; None below FEWEST values on a side.

    Needs no law of the values, only that they are drawn independently of each other.
    Source: rank-sum test of Wilcoxon, Mann and Whitney with the normal law, ties and continuity corrected;
    shift by Hodges and Lehmann (formulas from memory, held against scipy).
    """
    first, second = _thinned(before), _thinned(after)
    m, n = len(first), len(second)
    if min(m, n) < FEWEST:
        return None
    spread = _spread(Counter((*first, *second)), m, n)
    share = 1.0
    if spread > 0:
        distance = max(abs(_wins(first, second) - m * n / 2) - 0.5, 0.0)
        share = math.erfc(distance / spread / math.sqrt(2))
    differences = sorted(b - a for a in first for b in second)
    back = math.floor(m * n / 2 - 1.959964 * math.sqrt(m * n * (m + n + 1) / 12))
    low, high = differences[max(back - 1, 0)], differences[min(m * n - back, m * n - 1)]
    return Shift(share=share, middle=_median(differences), bounds=Interval(low, high))


def same_share(events_a: int, trials_a: int, events_b: int, trials_b: int) -> float:
    """Probability that chance alone makes two shares as unlike as these, if both are in truth the same.

    1 where a side has no trials. Two-sided: all tables that are at most as likely as the one seen.
    Source: exact test of Fisher (formula from memory, held against scipy).
    """
    events, trials = events_a + events_b, trials_a + trials_b
    if not trials_a or not trials_b or events in (0, trials):
        return 1.0
    whole = _log_choose(trials, events)
    low, high = max(0, events - trials_b), min(events, trials_a)
    logs = [
        _log_choose(trials_a, k) + _log_choose(trials_b, events - k) - whole for k in range(low, high + 1)
    ]
    seen = logs[events_a - low]
    return min(1.0, math.fsum(math.exp(one) for one in logs if one <= seen + 1e-9))


def _thinned(values: Sequence[float]) -> list[float]:
    if len(values) <= MOST:
        return list(values)
    return [values[number * len(values) // MOST] for number in range(MOST)]


def _wins(first: Sequence[float], second: Sequence[float]) -> float:
    """In how many pairs the second sample's value is the greater; ties count a half."""
    ranked = sorted([(value, 0) for value in first] + [(value, 1) for value in second])
    wins, smaller, at = 0.0, 0, 0
    while at < len(ranked):
        end = at
        while end < len(ranked) and ranked[end][0] == ranked[at][0]:
            end += 1
        ours = sum(side for _, side in ranked[at:end])
        theirs = end - at - ours
        wins += ours * (smaller + theirs / 2)
        smaller += theirs
        at = end
    return wins


def _spread(counts: Counter[float], m: int, n: int) -> float:
    """Standard deviation of the number of wins, less what ties take away."""
    total = m + n
    ties = sum(count**3 - count for count in counts.values())
    return math.sqrt(max(m * n / 12 * (total + 1 - ties / (total * (total - 1))), 0.0))


def _median(ordered: Sequence[float]) -> float:
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
