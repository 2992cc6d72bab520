"""Wirings against AC circuits (textbook): what one reversed, two exchanged or three rolled currents show."""

from __future__ import annotations

from cmath import phase, rect
from math import degrees, radians

import pytest

from probe.judge.diagnosis.flow import fit_wiring, flow_of, power_of
from probe.judge.diagnosis.picture import picture
from probe.judge.diagnosis.priors import CHANCE, Kind
from probe.judge.diagnosis.wiring import STRAIGHT, WIRINGS, Wiring

VOLTS, AMPS, ANGLE = 277.0, 200.0, 31.8  # power factor 0.85


def total(wiring: Wiring) -> complex:
    """Total power by that of a sound balanced circuit at power factor 1, as the turns give it."""
    return sum(rect(1, radians(turn)) for turn in wiring.turns) / 3


def named(kind: Kind, where: str) -> Wiring:
    return next(w for w in WIRINGS if [tuple(p)[:2] for p in w.parts] == [(kind, where)])


@pytest.mark.parametrize(
    ("kind", "where", "share"),
    [
        # Source: AC circuits, textbook: one of three equal powers with the wrong sign leaves a third; two
        # exchanged currents see +-120 degrees and the total is nothing for any power factor.
        (Kind.REVERSED, "A", 1 / 3),
        (Kind.REVERSED, "C", 1 / 3),
        (Kind.REVERSED, "A and B", -1 / 3),
        (Kind.ALL_REVERSED, "", -1),
        (Kind.AMPS_SWAPPED, "B and C", 0),
        (Kind.VOLTS_SWAPPED, "A and B", 0),
        (Kind.BACKWARDS, "", -1),
    ],
)
def test_total_power_of_a_balanced_circuit(kind: Kind, where: str, share: float) -> None:
    assert total(named(kind, where)) == pytest.approx(share, abs=1e-12)


def test_rolled_currents_turn_all_powers_by_120_degrees() -> None:
    turns = sorted(round(degrees(phase(total(named(Kind.ROLLED, where))))) for where in ("BCA", "CAB"))
    assert turns == [-120, 120]


def test_no_two_currents_at_one_input() -> None:
    assert all(sorted(wiring.currents) == [0, 1, 2] for wiring in WIRINGS)


def shown(volts: list[complex], amps: list[complex]) -> dict[tuple[str, str], tuple[float, float]]:
    """What an instrument shows of the phasors at its inputs, by the definitions (S = V conj I)."""
    values = {}
    for name, v, i in zip("abc", volts, amps, strict=True):
        power = v * i.conjugate()
        values["voltage_phase", name] = (abs(v), 1.0)
        values["current", name] = (abs(i), 1.0)
        values["power_active", name] = (power.real, 300.0)
        values["power_reactive", name] = (power.imag, 300.0)
    return values


def phasors(size: float, lag: float = 0.0) -> list[complex]:
    return [rect(size, radians(at - lag)) for at in (0, -120, 120)]


#: Current inputs by (phase, sign), voltage inputs by phase, and what is wrong.
WIRED = [
    ([(0, 1), (1, -1), (2, 1)], [0, 1, 2], (Kind.REVERSED, "B")),
    ([(0, 1), (2, 1), (1, 1)], [0, 1, 2], (Kind.AMPS_SWAPPED, "B and C")),
    ([(1, 1), (0, 1), (2, 1)], [0, 1, 2], (Kind.AMPS_SWAPPED, "A and B")),
    ([(0, 1), (1, 1), (2, 1)], [0, 2, 1], (Kind.VOLTS_SWAPPED, "B and C")),
    ([(1, 1), (2, 1), (0, 1)], [0, 1, 2], (Kind.ROLLED, "BCA")),
    ([(2, 1), (0, 1), (1, 1)], [0, 1, 2], (Kind.ROLLED, "CAB")),
    ([(0, -1), (1, -1), (2, -1)], [0, 1, 2], (Kind.ALL_REVERSED, "")),
    ([(0, 1), (1, 1), (2, 1)], [0, 1, 2], None),
]


@pytest.mark.parametrize(("inputs", "order", "wrong"), WIRED)
def test_the_wiring_is_found_from_the_phasors(
    inputs: list[tuple[int, int]], order: list[int], wrong: tuple[Kind, str] | None
) -> None:
    volts, amps = phasors(VOLTS), phasors(AMPS, ANGLE)
    seen = shown([volts[n] for n in order], [sign * amps[n] for n, sign in inputs])
    flow = flow_of(picture(seen), 800.0)
    assert flow is not None
    best = max(WIRINGS, key=lambda wiring: fit_wiring(flow, wiring).log + wiring.log_prior)
    assert [tuple(part)[:2] for part in best.parts] == ([wrong] if wrong else [])
    true = 3 * VOLTS * AMPS * rect(1, radians(ANGLE))
    assert power_of(flow, best, fit_wiring(flow, best)).value == pytest.approx(true, rel=1e-6)


def test_too_little_current_says_nothing() -> None:
    seen = shown(phasors(VOLTS), phasors(0.4, ANGLE))
    assert flow_of(picture(seen), 800.0) is None


def test_sound_power_is_more_probable_straight_than_any_other_way() -> None:
    flow = flow_of(picture(shown(phasors(VOLTS), phasors(AMPS, ANGLE))), 800.0)
    assert flow is not None
    logs = {w.parts: fit_wiring(flow, w).log for w in WIRINGS if any(w.turns)}
    assert fit_wiring(flow, STRAIGHT).log > max(logs.values()) + 2


def test_every_kind_has_a_chance_and_all_together_are_rare() -> None:
    assert set(CHANCE) == set(Kind)
    assert sum(CHANCE.values()) < 0.2
