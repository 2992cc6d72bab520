"""Percentiles from columns stay within the share that they state; exact ones are exact."""

from __future__ import annotations

import random

import pytest

from probe.wire.capture.percentile import column_low, exact, from_columns


def column(ns: int, bits: int) -> int:
    """As the kernel puts a time into a column (kernel/tables.h)."""
    if ns < 1 << bits:
        return ns
    top = ns.bit_length() - 1
    return (top - bits + 1 << bits) | (ns >> (top - bits) & ((1 << bits) - 1))


@pytest.mark.parametrize("bits", [2, 5, 8])
def test_columns_follow_each_other_without_a_gap(bits: int) -> None:
    for number in range(20 << bits):
        low, high = column_low(number, bits), column_low(number + 1, bits)
        assert low < high
        assert column(low, bits) == column(high - 1, bits) == number


@pytest.mark.parametrize("bits", [5, 8])
@pytest.mark.parametrize("seed", range(5))
def test_percentiles_from_columns(bits: int, seed: int) -> None:
    dice = random.Random(seed)
    times = [round(dice.lognormvariate(16, 1.5)) for _ in range(5000)]
    columns = [0] * (40 << bits)
    for ns in times:
        columns[column(ns, bits)] += 1
    seen, truth = from_columns(columns, bits, min(times), max(times)), exact(times)
    assert seen is not None
    assert truth is not None
    assert (seen.least_ns, seen.most_ns, seen.replies) == (truth.least_ns, truth.most_ns, truth.replies)
    for name in ("median_ns", "p95_ns", "p99_ns"):
        assert getattr(seen, name) == pytest.approx(getattr(truth, name), rel=seen.share * 1.01 + 1e-3)


def test_exact_ones() -> None:
    """Median: mean of the two middle ones; the others: nearest rank."""
    seen = exact([40, 10, 30, 20])
    assert seen is not None
    assert seen[:6] == (4, 10, 25, 40, 40, 40)
    assert exact([]) is None
    assert from_columns([0] * 100, 5, 0, 0) is None
