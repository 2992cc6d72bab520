"""Where a number is held against a limit: the only place that decides pass, fail or review.

A measured value is an interval (value and uncertainty together). Wholly inside the limits it passes, wholly
outside it fails, across a limit it is for a person to review: the measurement cannot tell.
"""

from __future__ import annotations

from typing import NamedTuple

from probe.model.finding import Verdict


class Interval(NamedTuple):
    """low <= true value <= high, in one unit. An exact value has low == high."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        """The best single value."""
        return (self.low + self.high) / 2

    @property
    def half_width(self) -> float:
        """The uncertainty, plus or minus."""
        return (self.high - self.low) / 2


def exactly(value: float) -> Interval:
    """An interval without uncertainty: a count, or text turned into a number."""
    return Interval(value, value)


def around(value: float, uncertainty: float) -> Interval:
    """value plus or minus uncertainty, both in one unit."""
    return Interval(value - uncertainty, value + uncertainty)


def within(seen: Interval, low: float | None, high: float | None) -> Verdict:
    """PASS inside, FAIL outside, REVIEW across a limit. None: no limit on that side.

    A value that stands exactly on a limit is inside: limits in standards and studies read "at most".
    NaN anywhere gives REVIEW: nothing can be said of it.
    """
    above_low = low is None or seen.low >= low
    below_high = high is None or seen.high <= high
    if above_low and below_high:
        return Verdict.PASS
    if (low is not None and seen.high < low) or (high is not None and seen.low > high):
        return Verdict.FAIL
    return Verdict.REVIEW


def same_text(seen: str, expected: str) -> Verdict:
    """PASS if both texts are alike but for blanks at the ends and capitals, else FAIL."""
    alike = seen.strip().casefold() == expected.strip().casefold()
    return Verdict.PASS if alike else Verdict.FAIL
