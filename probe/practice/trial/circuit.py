"""Random electrical truth of one bus: its phasors, its feeders' currents, and the main as their sum.

RMS phasors; a lagging load takes positive reactive power. Harmonic current is one lump a phase; in the main
the lumps of the feeders add with a random diversity. Sizes and spreads are common practice, no source.
"""

from __future__ import annotations

import cmath
import math
import random
from dataclasses import dataclass, replace

Phasors = tuple[complex, complex, complex]
Triple = tuple[float, float, float]

#: Nominal systems (line to line V, Hz) as they are common.
SYSTEMS = ((480.0, 60.0), (400.0, 50.0), (415.0, 50.0), (208.0, 60.0), (600.0, 60.0), (690.0, 50.0))
#: The same of one phase.
PHASE_SYSTEMS = ((230.0, 50.0), (240.0, 50.0), (120.0, 60.0), (277.0, 60.0))
RATINGS_A = (100, 160, 250, 400, 600, 800, 1200, 1600)


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus: voltages of the phases to neutral, frequency, voltage distortion (a fraction).

    ground: the voltage of ground against the neutral; of a delta, phases are shown against it.
    """

    nominal_v: float
    nominal_hz: float
    voltages: Phasors
    hertz: float
    distortion: float
    ground: complex = 0j

    def corner_grounded(self) -> Bus:
        """The same with phase B grounded, as delta systems may be."""
        return replace(self, ground=self.voltages[1])


@dataclass(frozen=True, slots=True)
class Circuit:
    """What flows in one circuit: fundamental currents, harmonic current of each phase (A), the rating."""

    rating_a: int
    currents: Phasors
    harmonics: Triple
    triplen: float

    def times(self, factor: float) -> Circuit:
        """The same with all its currents times a factor."""
        a, b, c = (i * factor for i in self.currents)
        x, y, z = (h * factor for h in self.harmonics)
        return replace(self, currents=(a, b, c), harmonics=(x, y, z))

    def mirrored(self) -> Circuit:
        """The same with the phases turning the other way: each current as far before a as it was behind."""
        a, b, c = self.currents
        turn = cmath.rect(1, math.tau / 3)
        return replace(self, currents=(a, b * turn * turn, c * turn))

    @property
    def loading(self) -> float:
        """Mean current of the phases that carry any, as a part of the rating."""
        carrying = [abs(i) for i in self.currents if i]
        return sum(carrying) / max(len(carrying), 1) / self.rating_a


def draw_bus(dice: random.Random) -> Bus:
    """A healthy bus somewhere within its tolerances."""
    nominal_v, nominal_hz = dice.choice(SYSTEMS)
    level = nominal_v / math.sqrt(3) * dice.gauss(1.0, 0.015)
    a, b, c = (
        cmath.rect(level * dice.gauss(1.0, 0.003), -n * math.tau / 3 + math.radians(dice.gauss(0, 0.25)))
        for n in range(3)
    )
    return Bus(nominal_v, nominal_hz, (a, b, c), nominal_hz + dice.gauss(0, 0.03), dice.uniform(0.005, 0.035))


def reversed_rotation(bus: Bus) -> Bus:
    """The same bus with its phases turning A-C-B."""
    a, b, c = bus.voltages
    turn = cmath.rect(1, math.tau / 3)
    return replace(bus, voltages=(a, b * turn * turn, c * turn))


def draw_phase(dice: random.Random) -> Bus:
    """A healthy single phase: phase A alone."""
    nominal_v, nominal_hz = dice.choice(PHASE_SYSTEMS)
    level = complex(nominal_v * dice.gauss(1.0, 0.015))
    hertz = nominal_hz + dice.gauss(0, 0.03)
    return Bus(nominal_v, nominal_hz, (level, 0j, 0j), hertz, dice.uniform(0.005, 0.035))


def _angle(dice: random.Random) -> float:
    """Angle by which the current lags, radians: motors, mixed, idling motors, lamps, some capacitive."""
    sort = dice.random()
    if sort < 0.45:
        factor = dice.uniform(0.75, 0.92)
    elif sort < 0.80:
        factor = dice.uniform(0.88, 0.999)
    elif sort < 0.92:
        factor = dice.uniform(0.35, 0.75)
    else:
        return -math.acos(dice.uniform(0.85, 0.999))
    return math.acos(factor)


def draw_circuit(dice: random.Random, bus: Bus, loading: float) -> Circuit:
    """A circuit whose mean current is about ``loading`` times its rating; balanced or not."""
    rating = dice.choice(RATINGS_A)
    unbalanced = dice.random() < 0.3
    spread, turn = (0.20, 6.0) if unbalanced else (0.02, 1.5)
    angle = _angle(dice)
    distortion = dice.choice((0.01, 0.03, 0.05, 0.12, 0.30)) * dice.uniform(0.5, 1.2)
    currents = []
    for v in bus.voltages:
        size = rating * loading * min(max(dice.gauss(1.0, spread), 0.4), 1.05 / max(loading, 0.66))
        lag = angle + math.radians(dice.gauss(0, turn))
        currents.append(cmath.rect(size, cmath.phase(v) - min(lag, math.radians(86))) if v else 0j)
    a, b, c = currents
    x, y, z = (abs(i) * distortion * dice.uniform(0.9, 1.1) for i in currents)
    # All that a single phase brings flows back in its neutral.
    return Circuit(rating, (a, b, c), (x, y, z), dice.uniform(0.1, 0.6) if b else 1.0)


def total(dice: random.Random, circuits: list[Circuit]) -> Circuit:
    """The main above the circuits."""
    x, y, z = (sum(one.harmonics[n] for one in circuits) * dice.uniform(0.7, 1.0) for n in range(3))
    whole = summed(circuits, (x, y, z))
    mean = replace(whole, rating_a=1).loading
    rating = next((r for r in (800, 1200, 1600, 2000, 2500, 3200, 4000) if r > 1.1 * mean), 5000)
    return replace(whole, rating_a=rating)


def summed(circuits: list[Circuit], harmonics: Triple) -> Circuit:
    """The phasor sum of circuits, with these harmonics; the rating is left to the caller."""
    a, b, c = (sum((one.currents[n] for one in circuits), 0j) for n in range(3))
    return Circuit(0, (a, b, c), harmonics, circuits[0].triplen)


def turned_round(circuit: Circuit) -> Circuit:
    """The same circuit with its power flowing the other way."""
    a, b, c = (-i for i in circuit.currents)
    return replace(circuit, currents=(a, b, c))
