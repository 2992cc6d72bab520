"""A found setting against the studied one: the same, rounded by the device's step, near, higher or lower.

Slower or higher than the study is what burns people: such a difference is never called rounding once it is
beyond the tolerance, whatever the device's step.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from probe.judge.limit import around, within
from probe.model.finding import Verdict

#: Floating-point numbers of 32 bits keep seven digits; less than this is no difference.
NOISE = 1e-6


class Kind(StrEnum):
    """What a comparison came to, in words that a table can show."""

    SAME = "as studied"
    ROUNDED = "rounded to the device's step"
    NEAR = "within the tolerance"
    HIGHER = "higher than studied"
    LOWER = "lower than studied"
    SLOWER = "slower than studied"
    FASTER = "faster than studied"
    OFF = "off, should be on"
    ON = "on, should be off"
    OTHER = "other than studied"
    NOT_STATED = "the study does not say"
    NOT_READ = "not read"
    UNCLEAR = "cannot be compared"


class Allowed(NamedTuple):
    """What the tolerance allows around a studied value, in its unit."""

    low: float
    high: float


def allowed_around(studied: float, percent: float) -> Allowed:
    """The allowed values. percent: of the studied value."""
    return Allowed(studied * (1 - percent / 100), studied * (1 + percent / 100))


def difference(found: float, studied: float, percent: float, step: float | None) -> Kind:
    """SAME, ROUNDED, NEAR, HIGHER or LOWER. step: of the device, in the unit of both; None: not known."""
    noise = NOISE * max(abs(found), abs(studied))
    if abs(found - studied) <= noise:
        return Kind.SAME
    low, high = allowed_around(studied, percent)
    if within(around(found, 0.0), low - noise, high + noise) is not Verdict.PASS:
        return Kind.HIGHER if found > studied else Kind.LOWER
    return Kind.ROUNDED if is_rounding(found, studied, step) else Kind.NEAR


def is_rounding(found: float, studied: float, step: float | None) -> bool:
    """True if the device cannot be set to the studied value, and found is a step next to it.

    Two settings that are both on a step of the device stand at least one step apart.
    """
    if not step:
        return False
    return on_step(found, step) and abs(found - studied) < step * (1 - NOISE)


def on_step(value: float, step: float) -> bool:
    """True if the value is a whole number of steps."""
    steps = value / step
    return abs(steps - round(steps)) <= NOISE * max(1.0, abs(steps))
