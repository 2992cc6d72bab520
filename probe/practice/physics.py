"""The electrical truth of the practice lineup at any instant: phasors of every circuit, and their energy.

    source 1 -> 52-M1 -> bus 1 -> feeders          loads are given as power (they draw what they need);
                          52-T                     currents follow from the bus voltage, a main's current is
    source 2 -> 52-M2 -> bus 2 -> feeders          the phasor sum of what hangs below it.

Wye system, phase sequence a-b-c, angles in radians, RMS phasors. Active power into a load is positive, a
lagging load takes positive reactive power: I = conj(S / V), S = P + jQ (textbook; IEEE 1459 from memory).
Distortion is one lump of harmonic current a phase, the same angle in every feeder (no diversity), so that
harmonic currents add arithmetically; harmonics carry no power here because the bus voltage's are small.

Nothing here reads a clock or knows a register; what an instrument makes of the truth is in ``metering``.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass

from probe.practice.wander import Wander, wander

Phasors = tuple[complex, complex, complex]
Triple = tuple[float, float, float]

NOTHING: Phasors = (0j, 0j, 0j)
_NOMINAL_ANGLES = (0.0, -math.tau / 3, math.tau / 3)


@dataclass(frozen=True, slots=True)
class Load:
    """What hangs on one feeder. bus: 1 or 2.

    active_w: three-phase mean; power_factor: of the fundamental, lagging. split: share of each phase, sum 1.
    distortion: harmonic current as a fraction of the fundamental.
    """

    bus: int
    active_w: float
    power_factor: float
    split: Triple
    distortion: float
    variation: Wander

    def active(self, phase: int, time_s: float) -> float:
        """Active power of a phase, W."""
        return self.active_w * self.split[phase] * (1 + self.variation.at(time_s))

    def energy_wh(self, phase: int, time_s: float) -> float:
        """Active energy of a phase since time 0, Wh: the exact integral of ``active``."""
        return self.active_w * self.split[phase] * (time_s + self.variation.integral(time_s)) / 3600

    @property
    def reactive_ratio(self) -> float:
        """Reactive power for each watt (tangent of the angle)."""
        return math.tan(math.acos(self.power_factor))


@dataclass(frozen=True, slots=True)
class Flow:
    """One circuit at one instant: phase voltages, fundamental currents, harmonic current magnitudes (A)."""

    voltages: Phasors
    currents: Phasors
    harmonics: Triple


@dataclass(frozen=True, slots=True)
class Source:
    """One supply. level: of nominal; tilt: magnitude and angle (rad) by which each phase departs."""

    level: float
    tilt: tuple[tuple[float, float], ...]
    variation: Wander

    def voltages(self, nominal_v: float, time_s: float) -> Phasors:
        """Phase phasors. nominal_v: line to line."""
        size = nominal_v / math.sqrt(3) * self.level * (1 + self.variation.at(time_s))
        a, b, c = (
            cmath.rect(size * (1 + more), angle + turn)
            for angle, (more, turn) in zip(_NOMINAL_ANGLES, self.tilt, strict=True)
        )
        return a, b, c


def sources(seed: str) -> tuple[Source, Source]:
    """The two supplies: healthy, a little above nominal, about a third of a percent out of balance."""
    return (
        Source(1.004, ((0.002, 0.0), (-0.002, 0.0010), (0.0005, -0.0008)), wander(f"{seed}/source 1", 0.004)),
        Source(1.006, ((-0.001, 0.0), (0.0015, -0.0012), (0.0, 0.0006)), wander(f"{seed}/source 2", 0.004)),
    )


def weights(*, main_1: bool, main_2: bool, tie: bool) -> dict[str, tuple[float, float]]:
    """Share of each bus's load that flows through 52-M1, 52-M2 and 52-T, for the breakers that are closed.

    Returns (share of bus 1, share of bus 2) by breaker; the tie counts from bus 1 to bus 2. A bus without
    a source has no share anywhere. Two mains in parallel share evenly (like transformers).
    """
    one, two = float(main_1), float(main_2)
    if not tie:
        return {"52-M1": (one, 0.0), "52-M2": (0.0, two), "52-T": (0.0, 0.0)}
    both = one + two
    if not both:
        return {"52-M1": (0.0, 0.0), "52-M2": (0.0, 0.0), "52-T": (0.0, 0.0)}
    from_1, from_2 = one / both, two / both
    return {"52-M1": (from_1, from_1), "52-M2": (from_2, from_2), "52-T": (-from_2, from_1)}


@dataclass(frozen=True, slots=True)
class Plant:
    """The whole lineup's power side. closed: breaker tag to whether it is closed (fed and connected)."""

    nominal_v: float
    nominal_hz: float
    supplies: tuple[Source, Source]
    loads: Mapping[str, Load]
    closed: Mapping[str, bool]
    hunting: Wander  # of the frequency, Hz

    def frequency(self, time_s: float) -> float:
        """Frequency of the grid, Hz."""
        return self.nominal_hz + self.hunting.at(time_s)

    def bus_voltages(self, bus: int, time_s: float) -> Phasors:
        """Phase phasors of bus 1 or 2; zero when no source reaches it."""
        own, other = (1, 2) if bus == 1 else (2, 1)
        if self.closed[f"52-M{own}"]:
            return self.supplies[own - 1].voltages(self.nominal_v, time_s)
        if self.closed["52-T"] and self.closed[f"52-M{other}"]:
            return self.supplies[other - 1].voltages(self.nominal_v, time_s)
        return NOTHING

    def feeder(self, tag: str, time_s: float) -> Flow:
        """The feeder's circuit: the voltage of its bus, the current of its load if its breaker is closed."""
        load = self.loads[tag]
        voltages = self.bus_voltages(load.bus, time_s)
        if not self.closed[tag] or voltages == NOTHING:
            return Flow(voltages, NOTHING, (0.0, 0.0, 0.0))
        a, b, c = (
            (complex(load.active(n, time_s), load.active(n, time_s) * load.reactive_ratio) / v).conjugate()
            for n, v in enumerate(voltages)
        )
        x, y, z = (abs(current) * load.distortion for current in (a, b, c))
        return Flow(voltages, (a, b, c), (x, y, z))

    def flow(self, tag: str, time_s: float) -> Flow:
        """The circuit of a feeder, a main or the tie."""
        if tag in self.loads:
            return self.feeder(tag, time_s)
        shares = self._weights()[tag]
        bus = 2 if tag == "52-M2" else 1
        currents, harmonics = list(NOTHING), [0.0, 0.0, 0.0]
        for name, load in self.loads.items():
            below = self.feeder(name, time_s)
            share = shares[load.bus - 1]
            for n in range(3):
                currents[n] += share * below.currents[n]
                harmonics[n] += abs(share) * below.harmonics[n]
        a, b, c = currents
        x, y, z = harmonics
        return Flow(self._side_voltages(tag, bus, time_s), (a, b, c), (x, y, z))

    def energy(self, tag: str, phase: int, time_s: float) -> tuple[float, float]:
        """Active (Wh) and reactive (varh) energy of one phase through the circuit since time 0."""
        active = reactive = 0.0
        for name, share in self._below(tag):
            load = self.loads[name]
            energy = share * load.energy_wh(phase, time_s)
            active += energy
            reactive += energy * load.reactive_ratio
        return active, reactive

    def _below(self, tag: str) -> list[tuple[str, float]]:
        """Feeders whose load flows through the circuit, each with its share."""
        if tag in self.loads:
            return [(tag, 1.0)] if self._carries(tag) else []
        shares = self._weights()[tag]
        return [(name, shares[load.bus - 1]) for name, load in self.loads.items() if self._carries(name)]

    def _carries(self, feeder: str) -> bool:
        return self.closed[feeder] and self.bus_voltages(self.loads[feeder].bus, 0.0) != NOTHING

    def _side_voltages(self, tag: str, bus: int, time_s: float) -> Phasors:
        """A main's instruments sit on its line side: they see the source also when the main is open."""
        if tag in ("52-M1", "52-M2"):
            return self.supplies[bus - 1].voltages(self.nominal_v, time_s)
        return self.bus_voltages(bus, time_s)

    def _weights(self) -> dict[str, tuple[float, float]]:
        return weights(main_1=self.closed["52-M1"], main_2=self.closed["52-M2"], tie=self.closed["52-T"])
