"""What a sample says of the whole: the interval of a share."""

from __future__ import annotations

import math


def interval(hits: int, size: int, z: float = 1.959964) -> tuple[float, float]:
    """Lowest and highest share that a sample speaks for, 95 % by default.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1 (Wilson's interval), from memory.
    """
    if not size:
        return 0.0, 1.0
    share, square = hits / size, z * z / size
    middle = (share + square / 2) / (1 + square)
    half = z * math.sqrt(share * (1 - share) / size + square / (4 * size)) / (1 + square)
    return max(0.0, middle - half), min(1.0, middle + half)
