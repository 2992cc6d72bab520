"""What an instrument makes of a circuit: every quantity that a profile may ask for, in SI units.

The instrument has a fixed gain error and a small wobble within its class, and it may be wired wrongly
(a reversed current transformer, two phases exchanged); powers, factors and energies then follow from what
it sees, as they do in a real meter, so that a wiring fault shows everywhere at once.

    S_phase = V x I (true RMS)     P = Re(V conj I)     Q = Im(V conj I)     P^2 + Q^2 <= S^2
    S_total = sum of the phases (arithmetic apparent power)                  PF = P / S

Source: IEEE 1459 (definitions, from memory); the worked values are checked in the tests.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

from probe.practice.physics import Flow, Phasors, Plant
from probe.practice.wander import Wander

PHASES = ("a", "b", "c")
PAIRS = ("ab", "bc", "ca")
DEMAND_WINDOW_S = 900.0

#: (quantity, phase) -> value in V, A, W, var, VA, Wh, varh, VAh, Hz, or a plain fraction (factor, THD,
#: unbalance).
Measured = dict[tuple[str, str], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """How a device sees its circuit.

    volt_gain, amp_gain: 1 for a perfect one. wobble: of the reading, a fraction, moving all the time.
    currents: for each input a, b, c which phase's current it gets and with which sign; voltages: which
    phase's voltage. sign: -1 counts the active power that a load takes as negative.
    energy_start: the counters' readings at time 0: Wh imported, Wh exported, varh imported, varh exported.
    volt_distortion: total harmonic distortion of the voltages, a fraction.
    """

    volt_gain: float
    amp_gain: float
    wobble: Wander
    energy_start: tuple[float, float, float, float]
    volt_distortion: float
    currents: tuple[tuple[int, int], tuple[int, int], tuple[int, int]] = ((0, 1), (1, 1), (2, 1))
    voltages: tuple[int, int, int] = (0, 1, 2)
    sign: int = 1


@dataclass(frozen=True, slots=True)
class _Seen:
    """One phase as the instrument sees it."""

    voltage: complex
    current: complex
    harmonic: float
    volt_rms: float
    amp_rms: float

    @property
    def power(self) -> complex:
        return self.voltage * self.current.conjugate()


def measure(plant: Plant, tag: str, instrument: Instrument, time_s: float) -> Measured:
    """Everything that the instrument at a breaker or meter of circuit ``tag`` shows at an instant."""
    phases = _look(plant.flow(tag, time_s), instrument, time_s)
    shown: Measured = {("frequency", ""): plant.frequency(time_s)}
    shown |= _voltages(phases, instrument)
    shown |= _currents(phases)
    shown |= _angles(phases)
    shown |= _powers(phases, instrument.sign)
    shown |= _energies(plant, tag, instrument, time_s)
    return shown


def _look(flow: Flow, instrument: Instrument, time_s: float) -> list[_Seen]:
    """The phases through the instrument's inputs and gains."""
    seen = []
    for n, (source, sign) in enumerate(instrument.currents):
        wobble = 1 + instrument.wobble.at(time_s + 40.0 * n)
        voltage = (
            flow.voltages[instrument.voltages[n]]
            * instrument.volt_gain
            * (1 + instrument.wobble.at(time_s - 70.0 - n))
        )
        current = sign * flow.currents[source] * instrument.amp_gain * wobble
        harmonic = flow.harmonics[source] * instrument.amp_gain * wobble
        volt_rms = abs(voltage) * math.hypot(1, instrument.volt_distortion)
        seen.append(_Seen(voltage, current, harmonic, volt_rms, math.hypot(abs(current), harmonic)))
    return seen


def _voltages(phases: list[_Seen], instrument: Instrument) -> Measured:
    a, b, c = (p.voltage for p in phases)
    true_rms = math.hypot(1, instrument.volt_distortion)
    line = [abs(a - b) * true_rms, abs(b - c) * true_rms, abs(c - a) * true_rms]
    shown = _each("voltage_line", PAIRS, line)
    shown |= _each("voltage_phase", PHASES, [p.volt_rms for p in phases])
    for phase in (*PHASES, *PAIRS, "average", "total", ""):
        shown["distortion_voltage", phase] = instrument.volt_distortion if line[0] > 0 else 0.0
    shown["unbalance_voltage", ""] = negative_sequence_ratio((a, b, c))
    return shown


def _currents(phases: list[_Seen]) -> Measured:
    shown = _each("current", PHASES, [p.amp_rms for p in phases])
    average = shown["current", "average"]
    # A third of the lump is taken as triplen: it adds up in the neutral, the fundamentals cancel there.
    neutral = math.hypot(abs(sum(p.current for p in phases)), sum(p.harmonic for p in phases) / 3)
    shown["current", "n"] = neutral
    shown["current", "g"] = 0.002 * average
    shown["current", "total"] = 3 * average
    for name, p in zip(PHASES, phases, strict=True):
        shown["distortion_current", name] = p.harmonic / abs(p.current) if p.current else 0.0
    shown["distortion_current", "average"] = sum(shown["distortion_current", n] for n in PHASES) / 3
    shown["distortion_current", "total"] = shown["distortion_current", "average"]
    worst = max(abs(p.amp_rms - average) for p in phases)
    shown["unbalance_current", ""] = worst / average if average else 0.0
    return shown


def _angles(phases: list[_Seen]) -> Measured:
    """Angles against the voltage of phase a, degrees, -180 to 180."""
    zero = cmath.phase(phases[0].voltage)
    turned = [cmath.exp(-1j * zero) * p.voltage for p in phases]
    shown = {("angle_voltage", n): math.degrees(cmath.phase(v)) for n, v in zip(PHASES, turned, strict=True)}
    for name, p in zip(PHASES, phases, strict=True):
        shown["angle_current", name] = math.degrees(cmath.phase(cmath.exp(-1j * zero) * p.current))
    return shown


def _powers(phases: list[_Seen], sign: int) -> Measured:
    active = [sign * p.power.real for p in phases]
    reactive = [p.power.imag for p in phases]
    apparent = [p.volt_rms * p.amp_rms for p in phases]
    shown: Measured = {}
    for quantity, parts in (
        ("power_active", active), ("power_reactive", reactive), ("power_apparent", apparent)
    ):  # fmt: skip
        shown |= _each(quantity, PHASES, parts)
        shown[quantity, "total"] = sum(parts)
    for name in (*PHASES, "total"):
        shown["power_factor", name] = factor(shown["power_active", name], shown["power_apparent", name])
    shown["power_factor", "average"] = shown["power_factor", "total"]
    return shown


def _energies(plant: Plant, tag: str, instrument: Instrument, time_s: float) -> Measured:
    """Counters by phase and in total: what they stood at, and what has flowed since."""
    shown: Measured = {}
    now = [_seen_energy(plant, tag, instrument, n, time_s) for n in range(3)]
    before = [_seen_energy(plant, tag, instrument, n, time_s - DEMAND_WINDOW_S) for n in range(3)]
    for n, name in enumerate(PHASES):
        shown |= _counters(name, tuple(e / 3 for e in instrument.energy_start), *now[n])
    active, reactive = sum(e[0] for e in now), sum(e[1] for e in now)
    shown |= _counters("total", instrument.energy_start, active, reactive)
    hours = DEMAND_WINDOW_S / 3600
    shown["demand_active", "total"] = (active - sum(e[0] for e in before)) / hours
    shown["demand_reactive", "total"] = (reactive - sum(e[1] for e in before)) / hours
    shown["demand_apparent", "total"] = math.hypot(
        shown["demand_active", "total"], shown["demand_reactive", "total"]
    )
    return shown


def _counters(phase: str, start: tuple[float, ...], active: float, reactive: float) -> Measured:
    """The counters of a phase or the total. active, reactive: flowed since time 0, either may be negative."""
    taken, given = start[0] + max(active, 0.0), start[1] + max(-active, 0.0)
    q_taken, q_given = start[2] + max(reactive, 0.0), start[3] + max(-reactive, 0.0)
    return {
        ("energy_active_import", phase): taken,
        ("energy_active_export", phase): given,
        ("energy_active_net", phase): taken - given,
        ("energy_reactive_import", phase): q_taken,
        ("energy_reactive_export", phase): q_given,
        ("energy_reactive_q1", phase): q_taken,
        ("energy_reactive_q2", phase): 0.0,
        ("energy_reactive_q3", phase): 0.0,
        ("energy_reactive_q4", phase): q_given,
        ("energy_apparent_import", phase): math.hypot(taken, q_taken),
        ("energy_apparent_export", phase): math.hypot(given, q_given),
    }


def _seen_energy(
    plant: Plant, tag: str, instrument: Instrument, phase: int, time_s: float
) -> tuple[float, float]:
    """Energy since time 0 that the input of a phase has counted (Wh, varh)."""
    source, sign = instrument.currents[phase]
    across = instrument.voltages[phase]
    gain = sign * instrument.volt_gain * instrument.amp_gain
    active, reactive = plant.energy(tag, source, time_s)
    active *= instrument.sign
    if source == across:
        return gain * active, gain * reactive
    # Another phase's current with this phase's voltage: the ratio of the powers at time 0 holds for ever.
    flow = plant.flow(tag, 0.0)
    seen = flow.voltages[across] * flow.currents[source].conjugate()
    true = flow.voltages[source] * flow.currents[source].conjugate()
    if not true:
        return 0.0, 0.0
    return gain * active * seen.real / true.real, gain * reactive * seen.imag / true.imag


def factor(active: float, apparent: float) -> float:
    """Power factor P / S; 1 at no load, where it has no meaning (and a meter shows 1)."""
    return active / apparent if apparent > 1e-6 else 1.0


def negative_sequence_ratio(voltages: Phasors) -> float:
    """|V2| / |V1| of phase phasors, a fraction, at most 1 (where meters end); 0 on a dead bus.

    Source: IEC 61000-4-30 (voltage unbalance, from memory), by symmetrical components.
    """
    turn = complex(-0.5, math.sqrt(3) / 2)
    a, b, c = voltages
    positive = abs(a + turn * b + turn * turn * c)
    negative = abs(a + turn * turn * b + turn * c)
    return min(negative / positive, 1.0) if positive else 0.0


def _each(quantity: str, names: tuple[str, str, str], values: list[float]) -> Measured:
    """Three phases and their average."""
    shown: Measured = {(quantity, name): value for name, value in zip(names, values, strict=True)}
    shown[quantity, "average"] = sum(values) / 3
    return shown
