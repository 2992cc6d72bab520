"""The one place that decides pass, fail and review."""

from __future__ import annotations

import math

import pytest

from probe.judge.limit import Interval, around, exactly, same_text, within
from probe.model.finding import Verdict


@pytest.mark.parametrize(
    ("seen", "low", "high", "verdict"),
    [
        (Interval(1, 2), 0, 3, Verdict.PASS),
        (Interval(1, 2), 1, 2, Verdict.PASS),
        (Interval(1, 2), None, 2, Verdict.PASS),
        (Interval(1, 2), None, None, Verdict.PASS),
        (Interval(1, 2), 1.5, 3, Verdict.REVIEW),
        (Interval(1, 2), 0, 1.5, Verdict.REVIEW),
        (Interval(-9, 9), -1, 1, Verdict.REVIEW),
        (Interval(1, 2), 2.5, None, Verdict.FAIL),
        (Interval(1, 2), None, 0.5, Verdict.FAIL),
        (exactly(5), 5, 5, Verdict.PASS),
        (exactly(5.0001), None, 5, Verdict.FAIL),
        (exactly(math.nan), 0, 1, Verdict.REVIEW),
        (exactly(math.inf), None, 1, Verdict.FAIL),
    ],
)
def test_within(seen: Interval, low: float | None, high: float | None, verdict: Verdict) -> None:
    assert within(seen, low, high) is verdict


def test_interval() -> None:
    seen = around(10, 0.5)
    assert (seen.low, seen.high, seen.middle, seen.half_width) == (9.5, 10.5, 10, 0.5)


def test_same_text() -> None:
    assert same_text(" Quellmark ", "QUELLMARK") is Verdict.PASS
    assert same_text("0510", "510") is Verdict.FAIL
