"""Apparent power from voltages and currents, with its uncertainty; formulas only, no verdicts.

Source: IEEE 1459 (arithmetic apparent power: the sum of V x I of the phases; from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from math import hypot, sqrt
from typing import NamedTuple

from probe.judge.electrical.quantities import PHASES
from probe.judge.electrical.snapshot import Measured, Snapshot


class Apparent(NamedTuple):
    """Apparent power from voltages and currents, VA. width: class; open: steps and time."""

    value: float
    width: float
    open: float
    by: tuple[Measured, ...]


def apparent_from(taken: Snapshot, phase: str) -> Apparent | None:
    """Apparent power of a phase, or of all phases arithmetically; None if unknown.

    From line voltages alone the total is their mean over root three times the sum of the currents; so in a
    delta, whose phases have no voltage of their own.
    """
    if phase in PHASES and not taken.frame.to_neutral:
        return None
    if phase in PHASES:
        volts, amps = taken.get("voltage_phase", phase), taken.get("current", phase)
        return None if volts is None or amps is None else _product(volts, amps)
    if taken.frame.phases == 1:
        return apparent_from(taken, "a")
    parts = [part for name in PHASES if (part := apparent_from(taken, name))]
    if len(parts) == 3:
        return _summed(parts)
    lines, currents = taken.pairs(), taken.phases("current")
    if lines is None or currents is None:
        return None
    volts_mean = sum(line.value for line in lines) / 3 / sqrt(3)
    amps_sum = sum(abs(one.value) for one in currents)
    return Apparent(
        volts_mean * amps_sum,
        _class_share(taken, "voltage") * volts_mean * amps_sum + volts_mean * classes(currents),
        hypot(volts_mean * left_open(currents), amps_sum * max(line.unclassed for line in lines) / sqrt(3)),
        (*lines, *currents),
    )


def _class_share(taken: Snapshot, what: str) -> float:
    accuracy = taken.frame.accuracy
    return (accuracy.voltage_percent if what == "voltage" else accuracy.current_percent) / 100


def classes(measured: Iterable[Measured]) -> float:
    """The class parts of several readings together."""
    return sum(one.half_width - one.unclassed for one in measured)


def left_open(measured: Iterable[Measured]) -> float:
    """What register steps and time leave open of several readings together: independent of each other."""
    return hypot(*(one.unclassed for one in measured))


def _product(volts: Measured, amps: Measured) -> Apparent:
    v, i = abs(volts.value), abs(amps.value)
    return Apparent(
        v * i,
        v * classes((amps,)) + i * classes((volts,)),
        hypot(v * amps.unclassed, i * volts.unclassed),
        (volts, amps),
    )


def _summed(parts: list[Apparent]) -> Apparent:
    return Apparent(
        sum(p.value for p in parts),
        sum(p.width for p in parts),
        hypot(*(p.open for p in parts)),
        tuple(one for p in parts for one in p.by),
    )


def is_small(taken: Snapshot, apparent: float, phase: str) -> bool:
    """True where the class says nothing: below the least current at nominal voltage."""
    return apparent < taken.frame.least_a * taken.frame.phase_v * (
        taken.frame.phases if phase == "total" else 1
    )
