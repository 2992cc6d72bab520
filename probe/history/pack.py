"""Packing of a run's verdicts and numbers into blocks, and of many runs into chunks of one series each.

A row for each value would take ten times the room and the time (bench/RESULTS.md, history). A block holds one
run: a byte for each verdict, eight for each number, in the order of its layout. A chunk holds one series over
up to ``SPAN`` runs. Both are little-endian on every machine, so that a file can be carried.
"""

from __future__ import annotations

import sys
import zlib
from array import array
from collections.abc import Iterable, Sequence
from math import isnan, nan
from typing import TypeVar

from probe.model.finding import Verdict

SPAN = 32  # runs in a chunk

_CODES = {Verdict.PASS: 0, Verdict.REVIEW: 1, Verdict.FAIL: 2, Verdict.NOT_TESTED: 3}
_VERDICTS = {code: verdict for verdict, code in _CODES.items()}
ABSENT = 255  # the run said nothing of this series

_Array = TypeVar("_Array", "array[int]", "array[float]")
_PLAIN, _SQUEEZED = b"\0", b"\1"


def pack_verdicts(verdicts: Iterable[Verdict]) -> bytes:
    """One byte each, squeezed where that is shorter."""
    return _squeezed(bytes([_CODES[verdict] for verdict in verdicts]))


def verdict_codes(packed: bytes) -> bytes:
    """The codes of a packed row of verdicts, one byte each."""
    return _plain(packed)


def code_of(verdict: Verdict) -> int:
    """The code of a verdict."""
    return _CODES[verdict]


def verdict_of(code: int) -> Verdict | None:
    """The verdict of a code; None for ABSENT."""
    return _VERDICTS.get(code)


def pack_codes(codes: Sequence[int]) -> bytes:
    """A series of codes over several runs."""
    return _squeezed(bytes(codes))


def pack_numbers(numbers: Iterable[float]) -> bytes:
    """Eight bytes each; NaN stands for a run that said nothing."""
    return _squeezed(_swapped(array("d", numbers)).tobytes())


def numbers_of(packed: bytes) -> array[float]:
    """The numbers of a packed row or chunk."""
    numbers = array("d")
    numbers.frombytes(_plain(packed))
    return _swapped(numbers)


def pack_whole(numbers: Iterable[int]) -> bytes:
    """Whole numbers (ids, times in nanoseconds), eight bytes each."""
    return _squeezed(_swapped(array("q", numbers)).tobytes())


def whole_of(packed: bytes) -> array[int]:
    """The whole numbers of ``pack_whole``."""
    numbers = array("q")
    numbers.frombytes(_plain(packed))
    return _swapped(numbers)


def is_absent(number: float) -> bool:
    """True for what stands where a run said nothing."""
    return isnan(number)


NO_NUMBER = nan


def _squeezed(data: bytes) -> bytes:
    small = zlib.compress(data, 1) if len(data) > 32 else data
    return _SQUEEZED + small if len(small) < len(data) else _PLAIN + data


def _plain(packed: bytes) -> bytes:
    return zlib.decompress(packed[1:]) if packed[:1] == _SQUEEZED else packed[1:]


def _swapped(numbers: _Array) -> _Array:
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers
