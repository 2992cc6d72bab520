"""Link speeds as people write them: 10M, 100M, 1G."""

from __future__ import annotations

import re

from probe.model.errors import InputError, Problem

_FORM = re.compile(r"(\d+(?:\.\d+)?)([kMG]?)(?:bit/s|bps)?", re.ASCII | re.IGNORECASE)
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
