"""Counters between two readings: rises, wraps at the end of its range, was reset, or leaps.

A fall is a wrap only if the difference modulo the range is one that could have been counted in the time
between; otherwise the counter was reset. Without a bound on the speed a wrap is taken only from near the
end of the range.
"""

from __future__ import annotations

from enum import Enum
from math import sqrt

from probe.judge.context import DeviceContext
from probe.model.number_codec import IntegerDecoder
from probe.model.profile import Point
from probe.model.reading import Reading

#: A counter without a speed limit wraps only at the end of its range; common practice, no source.
NEAR_END = 0.99
#: A generous stand-in where no rating is known: no low-voltage feeder carries more.
MOST_AMPERES = 6300.0
_KILO = {"Wh": 1.0, "varh": 1.0, "VAh": 1.0, "kWh": 1e3, "kvarh": 1e3, "kVAh": 1e3,
         "MWh": 1e6, "Mvarh": 1e6, "MVAh": 1e6}  # fmt: skip


class Turn(Enum):
    """What became of a counter between two readings."""

    RISES = "rises"
    WRAPS = "wraps"
    RESTART = "fell with a restart"
    RESET = "was reset"
    LEAPS = "leaps"


def turn_of(point: Point, before: Reading, after: Reading, most: float | None, *, restarted: bool) -> Turn:
    """What the counter did. most: the largest rise that can be, in its unit; None where unknown."""
    rise = float(after.value) - float(before.value)
    if rise >= 0:
        return Turn.LEAPS if most is not None and rise > most else Turn.RISES
    if restarted:
        return Turn.RESTART
    modulus = range_of(point)
    if modulus is None:
        return Turn.RESET
    wrapped = rise + modulus
    near_end = float(before.value) >= NEAR_END * modulus
    possible = wrapped <= most if most is not None else near_end
    return Turn.WRAPS if possible else Turn.RESET


def range_of(point: Point) -> float | None:
    """Where the counter starts again at zero, in its unit; None where it is not a plain counter."""
    decoder = point.decoder
    if not isinstance(decoder, IntegerDecoder) or point.scale_factor or point.type.startswith("i"):
        return None
    return float(2 ** (16 * point.count)) * decoder.scale.gain / decoder.scale.divisor


def most_energy(context: DeviceContext, point: Point, before: Reading, after: Reading) -> float | None:
    """The most energy that the ratings let through between two readings, in the point's unit, doubled.

    Doubled because meters update in steps. None for counters that are no energy.
    """
    factor = _KILO.get(point.unit)
    if factor is None:
        return None
    ratings = context.device.ratings
    amperes = ratings.sensor_a or ratings.frame_a or ratings.ct_primary_a or MOST_AMPERES
    apparent_va = sqrt(3) * context.map.system.voltage_v * amperes
    hours = (after.received_ns - before.sent_ns) / 3.6e12
    one_step = 1.0 if factor == 1.0 else 10.0**-point.decimals
    return 2 * apparent_va * hours / factor + 10 * one_step
