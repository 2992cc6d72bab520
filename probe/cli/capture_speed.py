"""Link speeds and sizes as people write them: 10M, 100M, 1G."""

from __future__ import annotations

import re

from probe.model.errors import InputError, Problem

_FORM = re.compile(r"(\d{1,15}(?:\.\d+)?)([kMG]?)(?:bit/s|bps)?", re.ASCII | re.IGNORECASE)
_TIMES = {"": 1, "k": 1_000, "m": 1_000_000, "g": 1_000_000_000}
_MOST = 10**12


def bits_a_second(text: str) -> int:
    """Bits a second that the text means; 0 for none given. Raises InputError."""
    compact = text.strip().replace(" ", "")
    if not compact:
        return 0
    match = _FORM.fullmatch(compact)
    speed = round(float(match[1]) * _TIMES[match[2].lower()]) if match else 0
    if not 1_000 <= speed <= _MOST:
        allowed = "a number with its letter: 10M, 100M, 1G"
        raise InputError(
            [Problem(file="--speed", what="this is no speed of a link", found=text, allowed=allowed)]
        )
    return speed


_SIZE = re.compile(r"(\d{1,15}(?:\.\d+)?)([kMGT]?)(?:i?B)?", re.ASCII | re.IGNORECASE)
_BYTES = {"": 1, "k": 1 << 10, "m": 1 << 20, "g": 1 << 30, "t": 1 << 40}
_LEAST, _LARGEST = 4096, 1 << 44


def bytes_of(text: str, option: str) -> int:
    """Bytes that the text means (k, M, G are 1024 times each other); 0 for none given. Raises InputError."""
    compact = text.strip().replace(" ", "")
    if not compact:
        return 0
    match = _SIZE.fullmatch(compact)
    size = round(float(match[1]) * _BYTES[match[2].lower()]) if match else 0
    if not _LEAST <= size <= _LARGEST:
        allowed = "a number with its letter, from 4k to 16T: 500k, 100M, 2G"
        raise InputError(
            [Problem(file=option, what="this is no size of a file", found=text, allowed=allowed)]
        )
    return size
