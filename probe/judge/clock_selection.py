"""Which reference clocks agree, and which events two clocks can put in order.

Both answers come from intervals alone: a reference that tells the truth has an interval that holds the true
time, so intervals of true references overlap; a stamp of a clock bounds the instant of the event.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from probe.judge.clock_region import Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """bounds: where the true time is by those that agree, None when no majority does.

    members, false: names of the references inside and outside the agreeing group.
    """

    bounds: Bounds | None
    members: tuple[str, ...]
    false: tuple[str, ...]


def agreement(intervals: Mapping[str, Bounds]) -> Agreement:
    """The common part of the largest group of intervals that overlap, if it is more than half of all.

    Of several groups of that size none can be preferred: what they span together counts. One reference agrees
    with itself; two that do not overlap have no majority, and neither can be believed.
    Source: RFC 5905, 11.2.1 (selection by intersection; without its allowance for midpoints outside).
    """
    groups = [
        tuple(name for name, b in intervals.items() if b.low <= start <= b.high)
        for start in sorted({bounds.low for bounds in intervals.values()})
    ]
    size = max((len(group) for group in groups), default=0)
    if 2 * size <= len(intervals):
        return Agreement(bounds=None, members=(), false=tuple(intervals))
    largest = [group for group in groups if len(group) == size]
    low = min(max(intervals[name].low for name in group) for group in largest)
    high = max(min(intervals[name].high for name in group) for group in largest)
    members = tuple(name for name in intervals if any(name in group for group in largest))
    outside = tuple(name for name in intervals if name not in members)
    return Agreement(bounds=Bounds(low, high), members=members, false=outside)


def order_needs(first: Bounds, first_step: float, second: Bounds, second_step: float) -> float:
    """Smallest difference of two stamps that proves which event was first, whichever it was.

    first, second: bounds of each clock's offset against one common time; steps: their resolutions; one unit
    for all. A stamp v of a clock with offset in [low, high] and step q says that the event happened in
    [v - high, v + q - low); two such intervals that do not meet tell the order.
    """
    return max(first_step + second.high - first.low, second_step + first.high - second.low)
