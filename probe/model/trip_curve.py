"""Trip times of single protection functions: the shapes of the standards and of direct-acting releases.

All shapes fall with rising current. A current at or below the pickup never trips (infinite time). Nothing
here knows tolerances: those belong to a type of device (``trip_band``).

Sources: IEC 60255-151, Annex A (curves A to F, constants as several independent open-source libraries have
them); IEEE C37.112 (constants likewise); the I²t and flat shapes are the usual form of low-voltage trip units
(common practice, no source).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from probe.model.protection import Shape


class Constants(NamedTuple):
    """t = multiplier * (k / (M**alpha - 1) + c), M the current as a multiple of the pickup."""

    k: float
    c: float
    alpha: float


#: Source: IEC 60255-151, Annex A; IEEE C37.112.
CONSTANTS = {
    Shape.IEC_A: Constants(0.14, 0.0, 0.02),
    Shape.IEC_B: Constants(13.5, 0.0, 1.0),
    Shape.IEC_C: Constants(80.0, 0.0, 2.0),
    Shape.IEC_LONG: Constants(120.0, 0.0, 1.0),
    Shape.IEEE_D: Constants(0.0515, 0.114, 0.02),
    Shape.IEEE_E: Constants(19.61, 0.491, 2.0),
    Shape.IEEE_F: Constants(28.2, 0.1217, 2.0),
}
#: Multiple of the pickup from which an inverse curve no longer falls, where its maker says no other.
#: Source: IEC 60255-151 (20 times the setting; from memory).
CEILING = 20.0


def inverse_s(shape: Shape, multiple: float, multiplier: float, ceiling: float = CEILING) -> float:
    """Seconds of an inverse curve at a multiple of its pickup; infinite up to the pickup.

    Source: IEC 60255-151, Annex A; IEEE C37.112.
    """
    if multiple <= 1.0:
        return math.inf
    k, c, alpha = CONSTANTS[shape]
    return multiplier * (k / math.expm1(alpha * math.log(min(multiple, ceiling))) + c)


def i2t_s(delay_s: float, reference_a: float, current_a: float, *, flat_beyond: bool = False) -> float:
    """Seconds of an I²t delay that is delay_s at reference_a.

    flat_beyond: the delay does not fall any further above the reference.
    """
    if flat_beyond and current_a >= reference_a:
        return delay_s
    return delay_s * (reference_a / current_a) ** 2


def reset_s(shape: Shape, multiple: float) -> float:
    """Seconds in which an induction-like IEEE curve resets at a multiple below 1, multiplier 1.

    Source: IEEE C37.112 (constants of the reset from memory).
    """
    constant = {Shape.IEEE_D: 4.85, Shape.IEEE_E: 21.6, Shape.IEEE_F: 29.1}[shape]
    if not 0 <= multiple < 1:
        raise ValueError(f"a relay resets below its pickup only, not at {multiple:g} times of it")
    return constant / (1.0 - multiple**2)
