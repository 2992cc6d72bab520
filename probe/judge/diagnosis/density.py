"""How well a residual fits: logarithms of densities that forgive a little and never fall without bound.

A residual is held against a normal law with a broad floor below it: one value that is wrong for a reason
of its own costs about ``FLOOR``, not everything, so an explanation must put many residuals right to win.
"""

from __future__ import annotations

from math import exp, log1p

#: Cost of a residual that fits nothing, in natural logarithms. From 4.5 standard deviations on it is paid.
FLOOR = 9.0
#: Beyond this many standard deviations all are alike.
FAR = 1e4


def fit(z: float) -> float:
    """Logarithm of the density at z standard deviations, against that at 0: 0 at best, about -16 at worst."""
    z = abs(z)
    if z < 3.0:
        return -0.5 * z * z
    if z != z or z > FAR:  # noqa: PLR0124 - NaN
        z = FAR
    tail = -FLOOR - log1p(z / 10.0)
    middle = -0.5 * z * z
    return middle + log1p(exp(tail - middle)) if middle > tail else tail + log1p(exp(middle - tail))


def beyond(value: float, low: float, high: float, width: float) -> float:
    """``fit`` of how far the value lies outside low..high; width: one standard deviation."""
    if low <= value <= high:
        return 0.0
    return fit(((low - value) if value < low else (value - high)) / (width or 1e-9))
