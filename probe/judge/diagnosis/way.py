"""Way: one way of reading a device's registers, with the faults that it assumes and what it changes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from probe.judge.diagnosis.inside import Size
from probe.judge.diagnosis.picture import Key, Sight
from probe.judge.diagnosis.registers import Read, Registers
from probe.judge.diagnosis.wiring import Part

#: Groups of quantities that are set or scaled together, by the words that people use.
GROUPS: Mapping[str, tuple[str, ...]] = {
    "voltages": ("voltage_phase", "voltage_line"),
    "voltages to neutral": ("voltage_phase",),
    "line voltages": ("voltage_line",),
    "currents": ("current",),
    "powers": ("power_active", "power_reactive", "power_apparent"),
    "active powers": ("power_active",),
    "reactive powers": ("power_reactive",),
    "apparent powers": ("power_apparent",),
    "power factors": ("power_factor",),
    "frequency": ("frequency",),
}
POWERS = GROUPS["powers"]
#: Quantities whose values the diagnosis compares.
KEPT = frozenset({"voltage_phase", "voltage_line", "current", *POWERS, "power_factor", "frequency"})


class Way(NamedTuple):
    """One way of reading. keys: values that it changes. size: what the circuit is drawn for, under it."""

    parts: tuple[Part, ...]
    read: Read
    keys: frozenset[Key]
    log_prior: float
    size: Size


class Known(NamedTuple):
    """What the ways start from. bad: keys of values that disagree with others as they stand. apart: keys that
    were read anew already: another way to read their registers would undo that."""

    registers: Registers
    base: Read
    size: Size
    bad: frozenset[Key]
    proven: bool  # proof points were read and fit
    apart: frozenset[Key] = frozenset()


def multiplied(read: Read, factor: Callable[[Key], float]) -> Read:
    """The values times a factor that depends on the key; what could not be may now be."""
    values: dict[Key, Sight] = {}
    odd = dict(read.odd)
    for key, (value, half) in read.values.items():
        times = factor(key)
        if times != 1.0:
            values[key] = (value * times, half * abs(times))
            odd.pop(key, None)
        else:
            values[key] = (value, half)
    return Read(values, odd)


def times_ten(read: Read, quantities: tuple[str, ...], power: int) -> Read:
    """The values of these quantities times ten to the power."""
    return multiplied(read, lambda key: 10.0**power if key[0] in quantities else 1.0) if power else read
