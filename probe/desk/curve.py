"""Trip time of one protection function at a current: the formula, its numbers step by step, and the limits.

With tolerances (of a profile's function) the result is a band; without them the time of the formula alone,
which no breaker keeps exactly. A desk calculation: it says nothing of a breaker that was not tested.

Sources: IEC 60255-151, Annex A; IEEE C37.112 (constants as several independent open-source libraries have
them); IEC 60947-2 (limits of the releases, from memory but for 1.05 and 1.30).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from probe.model.protection import Shape
from probe.model.trip_curve import CEILING, CONSTANTS, i2t_s, inverse_s

SOURCES = {
    Shape.FLAT: "definite time: common practice, no source",
    Shape.I2T: "I²t delay of low-voltage trip units: common practice, no source",
    **dict.fromkeys((Shape.IEC_A, Shape.IEC_B, Shape.IEC_C, Shape.IEC_LONG), "IEC 60255-151, Annex A"),
    **dict.fromkeys((Shape.IEEE_D, Shape.IEEE_E, Shape.IEEE_F), "IEEE C37.112"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Function:
    """What is set. delay: seconds, or the multiplier of an inverse curve; reference_a: for I²t only."""

    shape: Shape
    pickup_a: float
    delay: float
    reference_a: float = 0.0
    flat_beyond: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TripTime:
    """The answer for one current. time_s: infinite where it never trips. steps: each with its formula."""

    current_a: float
    time_s: float
    steps: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseLimits:
    """Currents between which a release of IEC 60947-2 must begin to trip, amperes."""

    not_below_a: float
    not_above_a: float
    hours: float = 0.0


def trip_time(function: Function, current_a: float) -> TripTime:
    """Seconds of the formula at a current, with the steps.

    Source: IEC 60255-151, Annex A; IEEE C37.112.
    """
    multiple = current_a / function.pickup_a
    steps = [f"M = I / pickup = {current_a:g} A / {function.pickup_a:g} A = {multiple:.6g}"]
    if multiple <= 1.0:
        steps.append("M is not above 1: it does not trip")
        return TripTime(
            current_a=current_a, time_s=math.inf, steps=tuple(steps), source=SOURCES[function.shape]
        )
    time_s, formula = _formula(function, current_a, multiple)
    return TripTime(
        current_a=current_a, time_s=time_s, steps=(*steps, formula), source=SOURCES[function.shape]
    )


def _formula(function: Function, current_a: float, multiple: float) -> tuple[float, str]:
    if function.shape is Shape.FLAT:
        return function.delay, f"t = {function.delay:g} s at every current above the pickup"
    if function.shape is Shape.I2T:
        time_s = i2t_s(function.delay, function.reference_a, current_a, flat_beyond=function.flat_beyond)
        if function.flat_beyond and current_a >= function.reference_a:
            return time_s, f"t = {time_s:g} s: flat from {function.reference_a:g} A on"
        inside = f"({function.reference_a:g} A / {current_a:g} A)²"
        return time_s, f"t = {function.delay:g} s * {inside} = {time_s:.6g} s"
    k, c, alpha = CONSTANTS[function.shape]
    time_s = inverse_s(function.shape, multiple, function.delay)
    held = f" (held from M = {CEILING:g} on)" if multiple > CEILING else ""
    at = min(multiple, CEILING)
    formula = f"t = {function.delay:g} * ({k:g} / ({at:.6g}^{alpha:g} - 1) + {c:g}) = {time_s:.6g} s{held}"
    return time_s, formula


def overload_limits(pickup_a: float, rating_a: float) -> ReleaseLimits:
    """Currents at which an overload release must not trip, and must, within the conventional time.

    rating_a: rated current of the breaker; the time is one hour up to 63 A, two above.
    Source: IEC 60947-2 (1.05 and 1.30 as a public library has them; the time from memory).
    """
    return ReleaseLimits(
        not_below_a=1.05 * pickup_a, not_above_a=1.30 * pickup_a, hours=1.0 if rating_a <= 63 else 2.0
    )


def short_circuit_limits(setting_a: float) -> ReleaseLimits:
    """Currents at which a short-time or instantaneous release must not trip, and must.

    Source: IEC 60947-2 (20 percent of the setting, from memory).
    """
    return ReleaseLimits(not_below_a=0.8 * setting_a, not_above_a=1.2 * setting_a)
