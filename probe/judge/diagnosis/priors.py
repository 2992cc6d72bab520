"""How often each fault is met before anything was seen: the only opinions that the diagnosis holds.

A prior is the chance that a given device of a lineup under commissioning has the fault. All are common
practice, no source: what matters is their order of size, because each likelihood spans many powers of ten.
The table is printed in ``docs/diagnosis.md``.
"""

from __future__ import annotations

from enum import StrEnum
from math import log


class Kind(StrEnum):
    """Kinds of explanation; the words are the ``kind`` of the cause."""

    ORDER = "byte order"
    ADDRESS = "address"
    TYPE = "data type"
    SCALE = "scale"
    AMP_RATIO = "current transformer ratio"
    VOLT_RATIO = "voltage ratio"
    REVERSED = "reversed current transformer"
    ALL_REVERSED = "all current transformers reversed"
    BACKWARDS = "power flows backwards"
    SIGN = "sign of powers"
    AMPS_SWAPPED = "currents swapped"
    VOLTS_SWAPPED = "voltages swapped"
    ROLLED = "currents rolled"
    ROTATION = "reversed rotation"
    BOTH_SWAPPED = "phases swapped"
    MISSING = "voltage missing"
    CURRENT_MISSING = "current missing"
    MISSET = "wye or delta"
    NOMINAL = "nominal voltage"
    EXCHANGED = "swapped"
    ONE_FOR_TWO = "one unit for two"
    UNEXPLAINED = "unexplained"


#: Chance of each kind at one device.
CHANCE: dict[Kind, float] = {
    Kind.ORDER: 0.010,
    Kind.ADDRESS: 0.010,
    Kind.TYPE: 0.004,
    Kind.SCALE: 0.010,
    Kind.AMP_RATIO: 0.010,
    Kind.VOLT_RATIO: 0.003,
    Kind.REVERSED: 0.010,
    Kind.ALL_REVERSED: 0.005,
    Kind.BACKWARDS: 0.005,
    Kind.SIGN: 0.003,
    Kind.AMPS_SWAPPED: 0.008,
    Kind.VOLTS_SWAPPED: 0.003,
    Kind.ROLLED: 0.003,
    Kind.ROTATION: 0.002,
    Kind.BOTH_SWAPPED: 0.001,
    Kind.MISSING: 0.004,
    Kind.CURRENT_MISSING: 0.002,
    Kind.MISSET: 0.004,
    Kind.NOMINAL: 0.002,
    Kind.EXCHANGED: 0.004,
    Kind.ONE_FOR_TWO: 0.002,
    Kind.UNEXPLAINED: 0.0005,
}

#: A fault at one point of a device instead of all alike: that much less likely, shared by the points.
ONE_POINT = 0.5


def cost(kind: Kind, share: float = 1.0) -> float:
    """Logarithm of the prior. share: of the kind's chance that falls to this one variant."""
    return log(CHANCE[kind] * share)


def table() -> str:
    """The chances as a Markdown table, for docs/diagnosis.md."""
    rows = [f"| {kind.value} | {1000 * chance:g} in 1000 |" for kind, chance in CHANCE.items()]
    return "\n".join(["| kind of cause | chance at one device |", "| --- | --- |", *rows])
