"""Captures in gzip of several members: padding between them, bytes that come as they like."""

from __future__ import annotations

import gzip
import io
import random
from typing import cast

import pytest

from probe.wire.capture.source import Gzip

FIRST, SECOND = random.Random(1).randbytes(300), random.Random(2).randbytes(500)


class Dribble:
    """A file that gives a few bytes at a time."""

    def __init__(self, data: bytes, step: int) -> None:
        self._file, self._step = io.BytesIO(data), step

    def read(self, many: int) -> bytes:
        return self._file.read(min(many, self._step))


def unpacked(data: bytes, step: int) -> tuple[bytes, bool]:
    source = Gzip(cast("io.RawIOBase", Dribble(data, step)))
    room, got = memoryview(bytearray(64)), b""
    while count := source.read(room):
        got += bytes(room[:count])
    return got, source.cut


@pytest.mark.parametrize("step", [1, 2, 3, 7, 100, 4096])
@pytest.mark.parametrize("padding", [0, 1, 512])
def test_members_behind_each_other_are_one_capture(step: int, padding: int) -> None:
    """Found by fuzzing: what followed padding, or a member that began on the last byte of a read, was left
    out without a word. Source: RFC 1952, 2.2 (members follow each other); padding: as Python's gzip reads it.
    """
    data = gzip.compress(FIRST, mtime=0) + bytes(padding) + gzip.compress(SECOND, mtime=0) + bytes(padding)
    assert gzip.decompress(data) == FIRST + SECOND
    assert unpacked(data, step) == (FIRST + SECOND, False)


@pytest.mark.parametrize("step", [1, 4096])
def test_what_is_no_member_behind_one_is_damage(step: int) -> None:
    assert unpacked(gzip.compress(FIRST, mtime=0) + b"\0\0rubbish", step) == (FIRST, True)
    assert unpacked(gzip.compress(FIRST, mtime=0) + b"\x1f", step) == (FIRST, True)
    assert unpacked(gzip.compress(FIRST, mtime=0)[:-1], step)[1] is True
