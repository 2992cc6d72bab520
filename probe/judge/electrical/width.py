"""How wide a measured value's uncertainty is: accuracy class, register step, time between readings.

    class   percent of the reading, of at least 5 % of the rated current; for powers also a share of the
            part that stands across, because an error of angle turns one into the other:
            P: class x (|P| + 0.3 |Q|). At power factor 0.5 this gives 1.5 times the class.
    step    half a step of the register
    time    how fast the quantity may move, times the time between the readings, up to a bound: a load
            wanders, it does not run away

Sources: IEC 62053-22 and IEC 62053-21 (limits at unity and at power factor 0.5, doubled below 5 % of the
rated current; from memory), IEC 61557-12 (same shape; from memory). Rates: common practice, no source.
"""

from __future__ import annotations

from math import hypot, sqrt
from typing import NamedTuple

from probe.model.profile import Accuracy

#: Share of the cross component that an error of angle adds. Source: IEC 62053-22 (0.2S: 0.2 % at unity, 0.3 %
#: at power factor 0.5, where the cross part is 1.73 times as large; from memory).
ACROSS = 0.3
#: Below this share of the rated current a percentage of the reading is no limit (IEC 62053-22, from memory).
FLOOR = 0.05
#: Absolute allowances where no class speaks of the quantity; common practice, no source.
ANGLE_DEG, UNBALANCE_PERCENT, DISTORTION_PERCENT = 2.0, 0.5, 2.0


class Pace(NamedTuple):
    """How fast a quantity may move. share: of the value, a second; most: bound, a share of the value.
    fixed, fixed_most: the same, absolute. Common practice, no source."""

    share: float = 0.0
    most: float = 0.0
    fixed: float = 0.0
    fixed_most: float = 0.0


_LOAD = Pace(share=0.05, most=0.25)
_PACES = {
    "voltage": Pace(share=0.004, most=0.02),
    "current": _LOAD,
    "power": _LOAD,
    "demand": Pace(share=0.005, most=0.1),
    "frequency": Pace(fixed=0.02, fixed_most=0.1),
    "angle": Pace(fixed=1.0, fixed_most=10.0),
    "distortion": Pace(fixed=0.5, fixed_most=5.0),
    "unbalance": Pace(fixed=0.1, fixed_most=0.5),
}
_FACTOR = Pace(fixed=0.02, fixed_most=0.1)
STILL = Pace()


def pace_of(quantity: str) -> Pace:
    """How fast the quantity may move; energies stand still (their growth is judged apart)."""
    return _FACTOR if quantity == "power_factor" else _PACES.get(quantity.partition("_")[0], STILL)


def drift(quantity: str, value: float, seconds: float) -> float:
    """How far the quantity may have moved in a time between two readings, in its unit."""
    if seconds <= 0:
        return 0.0
    pace = pace_of(quantity)
    return abs(value) * min(pace.share * seconds, pace.most) + min(pace.fixed * seconds, pace.fixed_most)


def voltage_width(accuracy: Accuracy, value: float) -> float:
    """Class uncertainty of a voltage, V."""
    return abs(value) * accuracy.voltage_percent / 100


def current_width(accuracy: Accuracy, value: float, rating_a: float) -> float:
    """Class uncertainty of a current, A. rating_a: 0 where unknown."""
    return max(abs(value), FLOOR * rating_a) * accuracy.current_percent / 100


def power_width(percent: float, value: float, across: float, floor: float) -> float:
    """Class uncertainty of a power. across: the component at a right angle; floor: smallest apparent power
    that the class counts from."""
    return max(abs(value) + ACROSS * abs(across), FLOOR * floor) * percent / 100


def other_side(hypotenuse: float, side: float) -> float:
    """The second side of a right triangle; 0 where the hypotenuse is the shorter."""
    rest = hypotenuse * hypotenuse - side * side
    return sqrt(rest) if rest > 0 else 0.0


def root_sum(*widths: float) -> float:
    """Independent uncertainties together."""
    return hypot(*widths)
