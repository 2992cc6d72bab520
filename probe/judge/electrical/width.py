"""How wide a measured value's uncertainty is: accuracy class, register step, time between readings.

    class   percent of the reading, of at least 5 % of the rated current; for powers also a share of the
            part that stands across, because an error of angle turns one into the other:
            P: class x (|P| + 0.3 |Q|). At power factor 0.5 this gives 1.5 times the class.
    step    half a step of the register
    time    how far the quantity was seen to move from round to round of this run; where it was read in too
            few rounds, how fast it may move, times the time between the readings, up to a bound: a load
            wanders, it does not run away

Sources: IEC 62053-22 and IEC 62053-21 (limits at unity and at power factor 0.5, doubled below 5 % of the
rated current; from memory), IEC 61557-12 (same shape; from memory). Rates: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
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


class Moved(NamedTuple):
    """How a quantity was seen to move in a run. rate: the largest change from one round to the next, in its
    unit, by the root of the seconds between them; seconds: the longest time between; times: how many changes
    were looked at."""

    rate: float
    seconds: float
    times: int

    def within(self, seconds: float) -> float:
        """How far the quantity may move in so many seconds, in its unit.

        A load wanders: the way grows with the root of the time. Beyond what was seen it is taken to run on.
        The largest of few changes is less than the largest there is: room for that. Common practice, no
        source.
        """
        if seconds <= 0:
            return 0.0
        room = 1 + FEW / self.times
        if seconds <= self.seconds:
            return room * self.rate * sqrt(seconds)
        return room * self.rate * sqrt(self.seconds) * seconds / self.seconds


#: Changes that must have been seen, and how much room their fewness needs; common practice, no source.
LEAST_TIMES, FEW = 2, 2.0


def moved_of(readings: Sequence[tuple[float, float]]) -> Moved | None:
    """How a quantity moved by its readings (seconds, value) in order of time; None for too few of them.

    None as well if it never moved: a device that shows its last value again tells nothing of the load.
    """
    steps = [(t1 - t0, abs(v1 - v0)) for (t0, v0), (t1, v1) in pairwise(readings) if t1 > t0]
    rate = max((change / sqrt(seconds) for seconds, change in steps), default=0.0)
    if len(steps) < LEAST_TIMES or not rate:
        return None
    return Moved(rate, max(seconds for seconds, _ in steps), len(steps))


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
