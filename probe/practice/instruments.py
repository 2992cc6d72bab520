"""The instruments of a healthy lineup: within their class, none perfect, the same for the same seed."""

from __future__ import annotations

import random

from probe.model.device_map import Kind
from probe.practice.clockwork import DeviceClock
from probe.practice.metering import Instrument
from probe.practice.roster import Entry
from probe.practice.wander import wander

#: Half-width of the fixed gain error. Trip units are protection first: class 1 or worse; meters class 0.2.
#: Common practice, no source.
_GAIN = {Kind.TRIP_UNIT: 0.004, Kind.METER: 0.0008}
_WOBBLE = {Kind.TRIP_UNIT: 0.0010, Kind.METER: 0.0004}
_WOBBLE_PERIODS_S = (1.1, 2.9, 6.7)
#: Half-width of a healthy clock's offset, seconds: set by the master, whole seconds are shown.
_CLOCK_S = 0.25


def instrument_of(entry: Entry, seed: str) -> Instrument | None:
    """How a device sees its circuit; None if it measures none."""
    if not entry.circuit:
        return None
    dice = random.Random(f"{seed}/instrument {entry.tag}")
    gain = _GAIN[entry.kind]
    return Instrument(
        volt_gain=1 + dice.uniform(-gain, gain) / 2,
        amp_gain=1 + dice.uniform(-gain, gain),
        wobble=wander(f"{seed}/wobble {entry.tag}", _WOBBLE[entry.kind], _WOBBLE_PERIODS_S),
        energy_start=_counters(entry, dice),
        volt_distortion=dice.uniform(0.016, 0.019),
    )


def clock_of(entry: Entry, seed: str) -> DeviceClock:
    """A clock that a master sets now and then; the master's own is right."""
    if entry.kind is Kind.MASTER:
        return DeviceClock()
    dice = random.Random(f"{seed}/clock {entry.tag}")
    return DeviceClock(offset_s=dice.uniform(-_CLOCK_S, _CLOCK_S), drift_ppm=dice.uniform(-8, 8))


def _counters(entry: Entry, dice: random.Random) -> tuple[float, float, float, float]:
    """Readings after some months of tests: Wh and varh, import and export."""
    size = entry.sensor_a * 1e5
    return size * dice.uniform(0.8, 1.2), 0.0, size * dice.uniform(0.4, 0.6), 0.0
