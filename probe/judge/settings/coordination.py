"""Currents at which a breaker may trip before the one below it has cleared the fault.

Two direct-acting low-voltage breakers coordinate where their published bands do not overlap: the latest
clearing of the lower one lies below the soonest of the upper one (common practice, no source; published bands
hold tolerance and clearing time, so no margin is added). The bands fall with the current and jump only at
their corners, so between two corners a crossing is closed in by halving.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from probe.model.trip_band import TripBand

#: Points looked at between two corners, so that bands that cross twice there are seen.
POINTS = 48
#: A crossing is closed in to this share of the current.
CLOSE = 1e-9


class Overlap(NamedTuple):
    """Currents, amperes, at which the upper breaker may trip first."""

    low_a: float
    high_a: float


def overlaps(lower: TripBand, upper: TripBand, up_to_a: float) -> tuple[Overlap, ...]:
    """Where the lower breaker's latest clearing lies above the upper one's soonest, up to a fault current."""
    corners = [corner for corner in (*lower.corners, *upper.corners) if 0 < corner < up_to_a]
    start = min(corners, default=up_to_a) * 0.5
    edges = sorted({start, *corners, up_to_a})
    found: list[Overlap] = []
    for low, high in pairwise(edges):
        found += _within(lower, upper, low, high)
    return joined(found)


def _trips_first(lower: TripBand, upper: TripBand, current_a: float) -> bool:
    soonest = upper.least_s(current_a)
    return math.isfinite(soonest) and lower.most_s(current_a) > soonest


def _within(lower: TripBand, upper: TripBand, low: float, high: float) -> list[Overlap]:
    """Where the upper one may be first between two neighbouring corners, both left out by a hair.

    Both bands only fall, so that most stretches are decided by their two ends.
    """
    first, last = low * (1 + CLOSE), high * (1 - CLOSE)
    if last <= first or lower.most_s(first) <= upper.least_s(last):
        return []
    if lower.most_s(last) > upper.least_s(first):
        return [Overlap(low, high)]
    return _searched(lambda a: _trips_first(lower, upper, a), (low, first), (last, high))


def _searched(
    holds: Callable[[float], bool], start: tuple[float, float], end: tuple[float, float]
) -> list[Overlap]:
    """Where it holds. start: corner and the first current behind it; end: the last one before a corner."""
    (low, first), (last, high) = start, end
    ratio = (last / first) ** (1 / (POINTS - 1))
    points = [first * ratio**number for number in range(POINTS - 1)] + [last]
    states = [holds(point) for point in points]
    found: list[Overlap] = []
    begin = low if states[0] else None
    for number in range(1, POINTS):
        if states[number] is states[number - 1]:
            continue
        crossing = _closed_in(holds, points[number - 1], points[number])
        if begin is None:
            begin = crossing
        else:
            found.append(Overlap(begin, crossing))
            begin = None
    return found if begin is None else [*found, Overlap(begin, high)]


def _closed_in(holds: Callable[[float], bool], low: float, high: float) -> float:
    """The current between two at which the answer changes."""
    at_low = holds(low)
    while high - low > CLOSE * low:
        middle = (low + high) / 2
        if holds(middle) is at_low:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def joined(ranges: Iterable[Overlap]) -> tuple[Overlap, ...]:
    """The same currents in as few ranges as can be, rising."""
    result: list[Overlap] = []
    for one in sorted(ranges):
        if result and one.low_a <= result[-1].high_a * (1 + 10 * CLOSE):
            result[-1] = Overlap(result[-1].low_a, max(result[-1].high_a, one.high_a))
        else:
            result.append(one)
    return tuple(result)


def beyond(found: Sequence[Overlap], known: Sequence[Overlap], percent: float = 0.0) -> tuple[Overlap, ...]:
    """What of the first ranges lies in none of the second ones, these widened by percent at both ends."""
    wide = joined(Overlap(one.low_a * (1 - percent / 100), one.high_a * (1 + percent / 100)) for one in known)
    rest: list[Overlap] = []
    for one in found:
        low = one.low_a
        for covered in wide:
            if covered.high_a <= low or covered.low_a >= one.high_a:
                continue
            if covered.low_a > low:
                rest.append(Overlap(low, covered.low_a))
            low = max(low, covered.high_a)
        if low < one.high_a:
            rest.append(Overlap(low, one.high_a))
    return tuple(rest)
