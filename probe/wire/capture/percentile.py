"""Percentiles of reply times: exact while every time is kept, within a known share beyond."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

from probe.model.capture import ReplyTimes

#: Columns to an octave, as powers of two: of the whole capture, and of one device.
FINE_BITS, DEVICE_BITS, BIN_BITS = 8, 5, 2


def exact(times: Sequence[int]) -> ReplyTimes | None:
    """From all times, in any order; None for none."""
    if not times:
        return None
    ordered = sorted(times)
    count = len(ordered)
    median = (ordered[count // 2] + ordered[(count - 1) // 2]) // 2
    p95, p99 = (ordered[max(ceil(share * count / 100), 1) - 1] for share in (95, 99))
    return ReplyTimes(count, ordered[0], median, p95, p99, ordered[-1], 0.0)


def from_columns(columns: Sequence[int], bits: int, least: int, most: int) -> ReplyTimes | None:
    """From counts in columns, 2^bits to an octave; None for none."""
    count = sum(columns)
    if not count:
        return None
    median, p95, p99 = (
        min(max(at_rank(columns, bits, max(ceil(share * count / 100), 1)), least), most)
        for share in (50, 95, 99)
    )
    return ReplyTimes(count, least, median, p95, p99, most, 0.5**bits / 2)


def at_rank(columns: Sequence[int], bits: int, rank: int, first: int = 0) -> int:
    """Middle of the column in which the value of this rank (from 1) lies. first: number of columns[0]."""
    seen = 0
    for number, many in enumerate(columns):
        seen += many
        if seen >= rank:
            low, high = column_low(number + first, bits), column_low(number + first + 1, bits)
            return (low + high) // 2
    return column_low(len(columns) + first, bits)


def column_low(number: int, bits: int) -> int:
    """Least time of a column: the reverse of the kernel's ``column``."""
    if number < 1 << bits:
        return number
    octave, rest = number >> bits, number & ((1 << bits) - 1)
    return ((1 << bits) + rest) << (octave - 1)
