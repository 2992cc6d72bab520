"""Insulation: limits by voltage, and the interval across the limit."""

from __future__ import annotations

import pytest

from probe.desk.insulation import insulation, limits
from probe.desk.working import Amount
from probe.model.finding import Verdict


@pytest.mark.parametrize(
    ("nominal_v", "expected"),
    [
        (24, (250, 0.5)),
        (50, (250, 0.5)),
        (50.1, (500, 1.0)),
        (500, (500, 1.0)),
        (500.1, (1000, 1.0)),
        (1500, (1000, 1.0)),
    ],
)
def test_limits(nominal_v: float, expected: tuple[float, float]) -> None:
    """Source: IEC 60364-6 (from memory)."""
    assert limits(nominal_v) == expected


def test_no_limit_is_known_beyond() -> None:
    with pytest.raises(ValueError, match="3000"):
        limits(3000)


@pytest.mark.parametrize(
    ("megohm", "spread", "verdict"),
    [(0.5, 0.0, Verdict.PASS), (0.49, 0.0, Verdict.FAIL), (0.52, 0.05, Verdict.REVIEW)],
)
def test_a_measured_value(megohm: float, spread: float, verdict: Verdict) -> None:
    seen = Amount(value=megohm, unit="MOhm", plus_minus=spread)
    assert insulation(24, seen).verdict is verdict
