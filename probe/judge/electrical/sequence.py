"""Unbalance and symmetrical components: formulas only, no verdicts."""

from __future__ import annotations

from math import sqrt

#: A turn by 120 degrees.
TURN = complex(-0.5, sqrt(3) / 2)


def components(a: complex, b: complex, c: complex) -> tuple[float, float, float]:
    """Magnitudes of the zero, positive and negative sequence of three phasors, in their unit.

    Source: Fortescue's symmetrical components (textbook; from memory).
    """
    zero = abs(a + b + c) / 3
    positive = abs(a + TURN * b + TURN * TURN * c) / 3
    negative = abs(a + TURN * TURN * b + TURN * c) / 3
    return zero, positive, negative


def unbalance_nema(ab: float, bc: float, ca: float) -> float:
    """Largest departure of a line voltage from their mean, percent of the mean; 0 for a dead bus.

    Source: NEMA MG 1, 14.36 and 20.24 (as quoted in a public text).
    """
    mean = (ab + bc + ca) / 3
    return 100 * max(abs(one - mean) for one in (ab, bc, ca)) / mean if mean else 0.0


def negative_from_lines(ab: float, bc: float, ca: float) -> float:
    """Negative over positive sequence, percent, from the magnitudes of the line voltages alone.

    Three line voltages close to a triangle, so their magnitudes say everything but the zero sequence. 0 for
    a dead bus. Source: IEC 61000-4-30, 5.7 (from memory).
    """
    squares = ab * ab + bc * bc + ca * ca
    if not squares:
        return 0.0
    beta = (ab**4 + bc**4 + ca**4) / squares**2
    root = sqrt(max(0.0, 3 - 6 * beta))
    return 100 * sqrt(max(0.0, (1 - root) / (1 + root)))
