"""What an instrument shows of a circuit, with its class, its wiring and its settings; everything in SI units.

An instrument computes all it shows from the phasors at its inputs, so a fault of wiring shows in all of
them alike. Source of the definitions: IEEE 1459 (from memory).
"""

from __future__ import annotations

import cmath
import math
import random
from dataclasses import dataclass, field

from probe.model.profile import Conventions
from probe.practice.trial.circuit import Bus, Circuit, Phasors

PHASES = ("a", "b", "c")
PAIRS = ("ab", "bc", "ca")
Shown = dict[tuple[str, str], float]

#: What arrives at an input: the phase (0, 1, 2) and the factor with which it arrives.
Input = tuple[int, float]
Inputs = tuple[Input, Input, Input]
STRAIGHT: Inputs = ((0, 1.0), (1, 1.0), (2, 1.0))


@dataclass(slots=True)
class Instrument:
    """One device's measuring side.

    class_percent: half-width of its gain errors. own_neutral: the neutral has a transformer of its own.
    vector: total apparent power is the vector one. by_lag: the factor's sign tells lead or lag.
    factors: quantity to a factor by which what is shown differs, for settings and ratios that are wrong.
    """

    class_percent: float
    own_neutral: bool
    vector: bool
    by_lag: bool
    volt_inputs: Inputs = STRAIGHT
    amp_inputs: Inputs = STRAIGHT
    amp_ratio: float = 1.0
    volt_ratio: float = 1.0
    factors: dict[str, float] = field(default_factory=dict)
    gains: tuple[float, ...] = (1.0,) * 6

    def count_backwards(self, *, reactive: bool) -> None:
        """Show what a load takes as negative: active power, or both."""
        turned = ["active", "reactive"] if reactive else ["active"]
        for word in turned:
            self.factors[f"power_{word}"] = self.factors[f"demand_{word}"] = -1.0
        if not self.by_lag or reactive:
            self.factors["power_factor"] = -1.0


def draw_instrument(dice: random.Random, class_percent: float, told: Conventions) -> Instrument:
    """A healthy instrument within its class. told: the conventions of its profile; the rest is drawn."""
    half = class_percent / 100 / 2
    apparent = told.apparent_power or dice.choice(("arithmetic", "vector"))
    sign = told.power_factor_sign or dice.choice(("active", "active", "active", "reactive"))
    return Instrument(
        class_percent,
        own_neutral=dice.random() < 0.5,
        vector=apparent == "vector",
        by_lag=sign == "reactive",
        gains=tuple(1 + dice.uniform(-half, half) for _ in range(6)),
    )


def shown(bus: Bus, circuit: Circuit, instrument: Instrument) -> Shown:
    """Everything that the instrument shows: (quantity, phase) to its value."""
    gain = instrument.gains
    volts = [
        bus.voltages[n] * factor * instrument.volt_ratio * gain[k]
        for k, (n, factor) in enumerate(instrument.volt_inputs)
    ]
    amps = [
        circuit.currents[n] * factor * instrument.amp_ratio * gain[3 + k]
        for k, (n, factor) in enumerate(instrument.amp_inputs)
    ]
    lumps = [
        circuit.harmonics[n] * abs(factor) * instrument.amp_ratio * gain[3 + k]
        for k, (n, factor) in enumerate(instrument.amp_inputs)
    ]
    seen = _voltages(bus, volts)
    seen |= _currents(circuit, instrument, amps, lumps)
    seen |= _powers(bus, instrument, (volts, amps, lumps))
    seen["frequency", ""] = bus.hertz
    return {key: value * instrument.factors.get(key[0], 1.0) for key, value in seen.items()}


def _voltages(bus: Bus, volts: list[complex]) -> Shown:
    rms = math.hypot(1, bus.distortion)
    a, b, c = volts
    seen = _each("voltage_phase", PHASES, [abs(v - bus.ground) * rms for v in volts])
    seen |= _each("voltage_line", PAIRS, [abs(a - b) * rms, abs(b - c) * rms, abs(c - a) * rms])
    seen["unbalance_voltage", ""] = min(negative_part((a, b, c)), 1.0)
    for name in (*PHASES, *PAIRS, "total", "average"):
        seen["distortion_voltage", name] = bus.distortion
    for name, v in zip(PHASES, volts, strict=True):
        seen["angle_voltage", name] = math.degrees(cmath.phase(v / a if a else v))
    return seen


def negative_part(phasors: Phasors) -> float:
    """Negative over positive sequence, a fraction."""
    turn = cmath.rect(1, math.tau / 3)
    a, b, c = phasors
    positive = abs(a + turn * b + turn * turn * c)
    return abs(a + turn * turn * b + turn * c) / positive if positive > 1e-9 else 1e9


def _currents(circuit: Circuit, instrument: Instrument, amps: list[complex], lumps: list[float]) -> Shown:
    sizes = [math.hypot(abs(i), h) for i, h in zip(amps, lumps, strict=True)]
    seen = _each("current", PHASES, sizes)
    own = [i * instrument.amp_ratio for i in circuit.currents]
    residual = abs(sum(own if instrument.own_neutral else amps))
    seen["current", "n"] = math.hypot(residual, sum(lumps) * circuit.triplen)
    seen["current", "g"] = 0.001 * sum(sizes) / 3
    seen["current", "total"] = sum(sizes)
    for name, i, h in zip(PHASES, amps, lumps, strict=True):
        seen["distortion_current", name] = h / abs(i) if i else 0.0
    seen["distortion_current", "total"] = seen["distortion_current", "a"]
    return seen


def _powers(
    bus: Bus, instrument: Instrument, inputs: tuple[list[complex], list[complex], list[float]]
) -> Shown:
    volts, amps, lumps = inputs
    rms = math.hypot(1, bus.distortion)
    powers = [v * i.conjugate() for v, i in zip(volts, amps, strict=True)]
    apparent = [abs(v) * rms * math.hypot(abs(i), h) for v, i, h in zip(volts, amps, lumps, strict=True)]
    seen = _each("power_active", PHASES, [s.real for s in powers])
    seen |= _each("power_reactive", PHASES, [s.imag for s in powers])
    seen |= _each("power_apparent", PHASES, apparent)
    whole = sum(powers)
    seen["power_active", "total"], seen["power_reactive", "total"] = whole.real, whole.imag
    seen["power_apparent", "total"] = abs(whole) if instrument.vector else sum(apparent)
    for name in (*PHASES, "total"):
        seen["power_factor", name] = _factor(seen, name, by_lag=instrument.by_lag)
    seen["power_factor", "average"] = seen["power_factor", "total"]
    for word in ("active", "reactive", "apparent"):
        seen[f"demand_{word}", "total"] = 0.95 * seen[f"power_{word}", "total"]
    return seen


def _factor(seen: Shown, name: str, *, by_lag: bool) -> float:
    active, apparent = seen["power_active", name], seen["power_apparent", name]
    if apparent < 1e-6:
        return 1.0
    size = active / apparent
    return math.copysign(abs(size), seen["power_reactive", name]) if by_lag else size


def _each(quantity: str, names: tuple[str, ...], values: list[float]) -> Shown:
    seen = {(quantity, name): value for name, value in zip(names, values, strict=True)}
    seen[quantity, "average"] = sum(values) / 3
    return seen
