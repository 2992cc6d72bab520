"""Worked examples of electrical quantities, and random phasors worked out by numpy.

Numbers of the examples: textbook identities (IEEE 1459 and NEMA MG 1 definitions; IEC 61000-4-30 formula),
each worked out apart from our code; classes of IEC 62053-22 (limits from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from probe.judge.check import Check, Need
from probe.judge.electrical.apparent import apparent_from
from probe.judge.electrical.currents import _neutral_trials
from probe.judge.electrical.factor import _factor_trials
from probe.judge.electrical.powers import _power_trials, _triangle_trials
from probe.judge.electrical.sequence import components, negative_from_lines, unbalance_nema
from probe.judge.electrical.snapshot import Frame, Raw, Snapshot, snapshot
from probe.judge.electrical.totals import _total_trials
from probe.judge.electrical.trial import Trial, settled
from probe.judge.electrical.voltages import _line_phase_trials, _unbalance_trials
from probe.judge.electrical.width import power_width
from probe.model.finding import Verdict
from probe.model.profile import Accuracy, Conventions

METER = Accuracy(
    voltage_percent=0.2, current_percent=0.2, power_percent=0.5, reactive_percent=2, power_factor=0.01
)
FRAME = Frame(
    tag="F1", wiring="wye", voltage_v=480, frequency_hz=60, accuracy=METER, conventions=Conventions(),
    rating_a=400, rating_from="sensor in the map",
)  # fmt: skip
CHECK = Check(
    id="electrical.none",
    title="none",
    needs=(Need.REPLIES,),
    why="",
    source="",
    since="0.1",
    danger=5,
    where="",
)
UNITS = {"voltage": "V", "current": "A", "power_active": "W", "power_reactive": "var", "power_apparent": "VA"}


def taken(values: dict[tuple[str, str], float], step: float = 0.01, frame: Frame = FRAME) -> Snapshot:
    """A snapshot of values that one reply brought."""
    raws = [
        Raw(key, value, step, UNITS.get(key[0], ""), "_".join(key), 7, 0, 5_000_000)
        for key, value in values.items()
    ]
    return snapshot(frame, 0, raws)


def rect(size: float, degrees: float) -> complex:
    return complex(size * np.exp(1j * np.radians(degrees)))


# -- published and worked examples ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "nema", "iec"),
    [
        ((460, 467, 450), 1.9608, 2.1465),
        ((203, 210, 212), 2.5600, 2.6064),
        ((400, 400, 380), 3.3898, 3.3630),
        ((480, 480, 480), 0.0, 0.0),
    ],
)
def test_unbalance_by_both_definitions(lines: tuple[float, ...], nema: float, iec: float) -> None:
    """Source: 460/467/450 is the usual example of NEMA MG 1 (2 % to one digit); the others computed."""
    assert unbalance_nema(*lines) == pytest.approx(nema, abs=1e-4)
    assert negative_from_lines(*lines) == pytest.approx(iec, abs=1e-4)


def test_symmetrical_components_of_unbalanced_voltages() -> None:
    """277 at 0, 270 at -121, 283 at 118 degrees. Source: Fortescue's transformation, computed."""
    zero, positive, negative = components(rect(277, 0), rect(270, -121), rect(283, 118))
    assert (zero, positive, negative) == pytest.approx((6.375, 276.638, 1.819), abs=1e-3)
    lines = 476.097, 481.349, 480.024
    assert negative_from_lines(*lines) == pytest.approx(100 * negative / positive, abs=1e-4)


def test_apparent_power_of_a_balanced_circuit() -> None:
    """480 V, 100 A: 83.138 kVA. Source: S = sqrt(3) V I (IEEE 1459, from memory)."""
    values = {("voltage_line", p): 480.0 for p in ("ab", "bc", "ca")} | {("current", p): 100.0 for p in "abc"}
    due = apparent_from(taken(values), "total")
    assert due is not None
    assert due.value == pytest.approx(83_138, abs=1)


def test_vector_and_arithmetic_apparent_power_both_pass() -> None:
    """277 V 100 A 0.9, 276 V 80 A 0.8, 278 V 60 A 1.0: 66 460 VA arithmetic, 64 456 VA vector. Source: IEEE
    1459 (both definitions, from memory); computed."""
    phases = {"a": (277.0, 100.0, 0.9), "b": (276.0, 80.0, 0.8), "c": (278.0, 60.0, 1.0)}
    values: dict[tuple[str, str], float] = {}
    for name, (volts, amps, factor) in phases.items():
        values |= {("voltage_phase", name): volts, ("current", name): amps}
        values |= {
            ("power_active", name): volts * amps * factor,
            ("power_reactive", name): volts * amps * math.sqrt(1 - factor**2),
        }
    values["power_active", "total"], values["power_reactive", "total"] = 59_274.0, 25_322.2
    for total, factor in ((66_460.0, 0.8919), (64_456.3, 0.9196)):
        shown = taken({**values, ("power_apparent", "total"): total, ("power_factor", "total"): factor})
        trials = [
            *_power_trials(shown, "total"),
            *_triangle_trials(shown, "total"),
            *_factor_trials(shown, "total"),
        ]
        assert len(trials) == 3
        assert {one.verdict for one in trials} == {Verdict.PASS}
    wrong = taken({**values, ("power_apparent", "total"): 70_000.0})
    assert {one.verdict for one in _power_trials(wrong, "total")} == {Verdict.FAIL}


@pytest.mark.parametrize(
    ("currents", "neutral"),
    [
        (((100, 0), (80, -120), (60, 120)), 34.641),
        (((100, -10), (80, -150), (60, 100)), 18.859),
    ],
)
def test_neutral_by_angles_not_by_magnitudes(
    currents: tuple[tuple[float, float], ...], neutral: float
) -> None:
    """The neutral current is the size of the vector sum. Source: Kirchhoff; computed."""
    values: dict[tuple[str, str], float] = {("current", "n"): neutral}
    for n, (name, (amps, degrees)) in enumerate(zip("abc", currents, strict=True)):
        power = 277.0 * rect(1, -120 * n) * rect(amps, degrees).conjugate()
        values |= {("voltage_phase", name): 277.0, ("current", name): amps}
        values |= {("power_active", name): power.real, ("power_reactive", name): power.imag}
    shown = taken(values)
    phases = shown.phases("current")
    assert phases is not None
    (seen,) = list(_neutral_trials(shown, phases))
    assert seen.verdict is Verdict.PASS
    assert f"phases sum up to {neutral:.1f}" in seen.told


def test_class_of_active_power_at_power_factor_half() -> None:
    """0.2S: 0.2 % at unity, 0.3 % at power factor 0.5. Source: IEC 62053-22 (from memory)."""
    assert power_width(0.2, 1000.0, 0.0, 0.0) == pytest.approx(2.0)
    assert power_width(0.2, 1000.0, 1000.0 * math.sqrt(3), 0.0) == pytest.approx(3.0, rel=0.02)


def test_class_of_a_triangle_at_usual_power_factor() -> None:
    """Active class 0.5 and reactive class 2 at 0.85 are under 1 % of S for the triangle alone; what an angle
    adds and the class of S come on top. Source: computed from the classes."""
    apparent, factor = 100_000.0, 0.85
    active, reactive = apparent * factor, apparent * math.sqrt(1 - factor**2)
    alone = math.hypot(active * 0.005 * factor, reactive * 0.02 * math.sqrt(1 - factor**2)) / apparent
    shown = taken(
        {("power_active", "a"): active, ("power_reactive", "a"): reactive, ("power_apparent", "a"): apparent}
    )
    (one,) = list(_triangle_trials(shown, "a"))
    assert one.high is not None
    assert alone < one.high - 1 < 0.04


# -- random circuits ---------------------------------------------------------------------------------------


def circuit(dice: np.random.Generator) -> dict[tuple[str, str], float]:
    """A sound circuit: voltages a little out of balance, any power factor, errors within the class."""
    angles = np.radians(np.array([0.0, -120.0, 120.0]) + dice.uniform(-1, 1, 3))
    volts = 277.128 * (1 + dice.uniform(-0.02, 0.02, 3)) * np.exp(1j * angles)
    amps = dice.uniform(60, 390, 3)
    angle = np.radians(dice.uniform(-60, 80))
    currents = amps * np.exp(1j * (np.angle(volts) - angle + np.radians(dice.uniform(-8, 8, 3))))
    power = volts * currents.conj()
    shown: dict[tuple[str, str], float] = {}
    for n, name in enumerate("abc"):
        shown["voltage_phase", name] = abs(volts[n])
        shown["current", name] = abs(currents[n])
        shown["power_active", name], shown["power_reactive", name] = power[n].real, power[n].imag
        shown["power_apparent", name] = abs(power[n])
        shown["voltage_line", "abc"[n] + "bca"[n]] = abs(volts[n] - volts[(n + 1) % 3])
    shown["current", "n"] = abs(currents.sum())
    for quantity in ("power_active", "power_reactive", "power_apparent"):
        shown[quantity, "total"] = sum(shown[quantity, name] for name in "abc")
    shown["power_factor", "total"] = shown["power_active", "total"] / shown["power_apparent", "total"]
    return {key: erred(key, value, shown, dice) for key, value in shown.items()}


def erred(
    key: tuple[str, str], value: float, shown: dict[tuple[str, str], float], dice: np.random.Generator
) -> float:
    """The value with an error within its class (percent of the reading; an angle error for powers)."""
    percent = {"voltage_line": 0.2, "voltage_phase": 0.2, "current": 0.2, "power_apparent": 0.5}.get(key[0])
    if percent is not None:
        return value * (1 + dice.uniform(-percent, percent) / 100)
    if key[0] == "power_factor":
        return value + dice.uniform(-0.005, 0.005)
    share = 0.005 if key[0] == "power_active" else 0.02
    return value * (1 + dice.uniform(-share, share))


def trials(shown: Snapshot) -> list[Trial]:
    """Every trial that one device's snapshot gives."""
    phases, lines, volts = shown.phases("current"), shown.pairs(), shown.phases("voltage_phase")
    assert phases is not None
    assert lines is not None
    assert volts is not None
    names = ("a", "b", "c", "total")
    return [
        *_line_phase_trials(shown, lines, volts),
        *_unbalance_trials(shown, lines),
        *_neutral_trials(shown, phases),
        *(one for name in names for one in (*_power_trials(shown, name), *_triangle_trials(shown, name))),
        *_factor_trials(shown, "total"),
        *_total_trials(shown),
    ]


def judged(one: Trial) -> Verdict:
    """The verdict of the finding that a trial makes; a blunt one is not tested."""
    (finding,) = list(settled(CHECK, "F1", [one], "good"))
    return finding.verdict


@pytest.mark.parametrize("seed", range(60))
def test_sound_circuits_pass(seed: int) -> None:
    """Source: phasors by numpy."""
    dice = np.random.default_rng(seed)
    seen = [(one.title, judged(one)) for one in trials(taken(circuit(dice)))]
    assert [title for title, verdict in seen if verdict is not Verdict.PASS and "balance" not in title] == []


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize(
    ("fault", "title"),
    [
        (("power_active", "total", 1 / 3), "Active power: the total"),
        (("voltage_line", "ab", 1 / math.sqrt(3)), "Line voltage AB"),
        (("power_apparent", "b", 10.0), "Power of phase B"),
        (("current", "c", 2.0), "Power of phase C"),
        (("power_active", "a", 3.0), "Powers of phase A"),
        (("power_factor", "total", 0.2), "Power factor"),
    ],
)
def test_gross_faults_fail(seed: int, fault: tuple[str, str, float], title: str) -> None:
    """Source: phasors by numpy, one value made wrong by a plain factor."""
    quantity, phase, factor = fault
    dice = np.random.default_rng(1000 + seed)
    values = circuit(dice)
    while abs(values["power_factor", "total"]) < 0.5:  # what is made wrong must be large enough to show
        values = circuit(dice)
    values[quantity, phase] *= factor
    failed = [one.title for one in trials(taken(values)) if judged(one) is Verdict.FAIL]
    assert any(text.startswith(title) for text in failed), failed


def test_coarse_registers_at_little_load_are_not_tested() -> None:
    """A register of 10 kW steps says nothing of 20 kW."""
    values = {("voltage_line", p): 480.0 for p in ("ab", "bc", "ca")} | {("current", p): 30.0 for p in "abc"}
    shown = taken(values | {("power_active", "total"): 20_000.0, ("power_reactive", "total"): 10_000.0})
    coarse = replace(
        shown,
        values={
            key: one._replace(step=5_000.0) if key[0].startswith("power") else one
            for key, one in shown.values.items()
        },
    )
    assert [judged(one) for one in _power_trials(coarse, "total")] == [Verdict.NOT_TESTED]
