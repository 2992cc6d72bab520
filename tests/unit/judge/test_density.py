"""The density of residuals: normal in the middle, never without a floor."""

from __future__ import annotations

import math

import pytest

from probe.judge.diagnosis.density import FAR, FLOOR, beyond, fit


def test_it_is_normal_near_zero() -> None:
    assert fit(0) == 0
    assert fit(1) == fit(-1) == pytest.approx(-0.5)
    assert fit(2.5) == pytest.approx(-3.125)


def test_it_falls_ever_more_slowly_and_has_a_floor() -> None:
    sizes = [fit(z) for z in (0, 1, 2, 3, 4, 5, 10, 100, 1e4)]
    assert sizes == sorted(sizes, reverse=True)
    assert -FLOOR - 1 < fit(5) < -FLOOR + 1
    assert fit(math.inf) == fit(math.nan) == fit(1e300) == fit(FAR)


def test_inside_the_limits_costs_nothing() -> None:
    assert beyond(5, 0, 10, 1) == 0
    assert beyond(12, 0, 10, 1) == fit(2)
    assert beyond(-1, 0, 10, 1) == fit(1)
