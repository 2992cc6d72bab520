"""Wander: a smooth, seeded, never repeating variation with a closed-form integral.

Everything that moves in the practice lineup moves by one of these, so that a value at an instant is a pure
function of the instant, and an energy is the exact integral of its power, however often it is read.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

#: Seconds. A pump's hunting, a compressor's cycle, a process step, the quarter of an hour.
PERIODS_S = (2.3, 7.9, 31.0, 173.0, 907.0)


@dataclass(frozen=True, slots=True)
class Wander:
    """A sum of sines. waves: (amplitude, angular rate in rad/s, phase in rad) each."""

    waves: tuple[tuple[float, float, float], ...]

    def at(self, time_s: float) -> float:
        """The variation at an instant, within plus and minus the swing; its long mean is 0."""
        return sum(size * math.sin(rate * time_s + phase) for size, rate, phase in self.waves)

    def integral(self, time_s: float) -> float:
        """The integral of ``at`` from 0 to the instant, in seconds times the unit of ``at``."""
        return sum(
            size / rate * (math.cos(phase) - math.cos(rate * time_s + phase))
            for size, rate, phase in self.waves
        )


def wander(seed: str, swing: float, periods_s: Sequence[float] = PERIODS_S) -> Wander:
    """The wander that belongs to a name: the same for ever for the same seed.

    swing: largest departure from 0; the sines share it evenly. periods_s: spread by up to a tenth, so that
    no two names beat together.
    """
    dice = random.Random(seed)
    size = swing / len(periods_s)
    return Wander(
        tuple(
            (size, math.tau / (period * dice.uniform(0.9, 1.1)), dice.uniform(0, math.tau))
            for period in periods_s
        )
    )
