"""Words of overcurrent protection, and a function's settings in amperes and seconds.

    long_time      Ir, tr     LTPU, LTD        pickup in multiples of sensor or plug
    short_time     Isd, tsd   STPU, STD        of the long-time pickup, or of the plug
    instantaneous  Ii         INST             of the plug or sensor, or off
    ground         Ig, tg     GFPU, GFD        of the sensor, or amperes

Multiples mean nothing without their base, so both study and profile state it, and everything is compared
in amperes and seconds. Terms: usual in North American and IEC practice (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

FUNCTIONS = ("long_time", "short_time", "instantaneous", "ground")
#: Functions that see phase current; ground sees the residual.
PHASE_FUNCTIONS = FUNCTIONS[:3]
#: Groups of settings that a device may hold. maintenance: in force while maintenance mode is on.
GROUPS = ("normal", "alternate", "maintenance")
#: What a multiple may be a multiple of. pickup: the long-time pickup; own: the function's own pickup.
BASES = ("sensor", "plug", "pickup", "own")

TITLES = {
    "long_time": "Long-time",
    "short_time": "Short-time",
    "instantaneous": "Instantaneous",
    "ground": "Ground-fault",
}
LETTERS = {
    ("long_time", "pickup"): "LTPU",
    ("long_time", "delay"): "LTD",
    ("short_time", "pickup"): "STPU",
    ("short_time", "delay"): "STD",
    ("instantaneous", "pickup"): "INST",
    ("ground", "pickup"): "GFPU",
    ("ground", "delay"): "GFD",
}


class Shape(StrEnum):
    """How the trip time depends on the current (constants in ``trip_curve``)."""

    FLAT = "flat"  # the same time at every current
    I2T = "i2t"  # time falls with the square of the current
    IEC_A = "iec_inverse"
    IEC_B = "iec_very_inverse"
    IEC_C = "iec_extremely_inverse"
    IEC_LONG = "iec_long_time_inverse"
    IEEE_D = "ieee_moderately_inverse"
    IEEE_E = "ieee_very_inverse"
    IEEE_F = "ieee_extremely_inverse"

    @property
    def is_inverse(self) -> bool:
        """True for the curves of the two standards, whose delay is a multiplier and no time."""
        return self not in (Shape.FLAT, Shape.I2T)


SHAPES = tuple(shape.value for shape in Shape)


@dataclass(frozen=True, slots=True, kw_only=True)
class FunctionSetting:
    """One protection function as set: found on a device, or asked for by a study.

    pickup_a: amperes. delay: in delay_unit: seconds, or "" for the multiplier of an inverse curve.
    multiple, base: of which current the delay counts (6, "pickup"), 0 and "" where it counts everywhere.
    shape, enabled: None where nobody says.
    """

    enabled: bool | None = None
    pickup_a: float | None = None
    delay: float | None = None
    delay_unit: str = "s"
    multiple: float = 0.0
    base: str = ""
    shape: Shape | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingBases:
    """Amperes that multiples count by; None where unknown."""

    sensor_a: float | None = None
    plug_a: float | None = None
    pickup_a: float | None = None
    own_a: float | None = None

    def of(self, base: str) -> float | None:
        """Amperes of the base; 1 for amperes themselves ("")."""
        known = {
            "": 1.0,
            "sensor": self.sensor_a,
            "plug": self.plug_a,
            "pickup": self.pickup_a,
            "own": self.own_a,
        }
        return known[base]
