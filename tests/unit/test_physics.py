"""The practice lineup's power side against textbook relations, worked out here in another way."""

from __future__ import annotations

import cmath
import math

import pytest

from probe.practice.instruments import instrument_of
from probe.practice.metering import Instrument, Measured, measure, negative_sequence_ratio
from probe.practice.physics import NOTHING, Load, Plant, Source, weights
from probe.practice.roster import plant, roster
from probe.practice.wander import Wander, wander

STILL = Wander(())
FLAT = Source(1.0, ((0.0, 0.0),) * 3, STILL)
INSTANTS = (0.0, 1.7, 63.0, 1234.5)
DRAWN = {tag: entry.breaker == "closed" for tag, entry in roster().items() if entry.breaker}


def perfect(distortion: float = 0.0) -> Instrument:
    return Instrument(
        volt_gain=1, amp_gain=1, wobble=STILL, energy_start=(0, 0, 0, 0), volt_distortion=distortion
    )


def still_plant(load: Load) -> Plant:
    closed = {"52-M1": True, "52-M2": True, "52-T": False, "52-F1": True}
    return Plant(480.0, 60.0, (FLAT, FLAT), {"52-F1": load}, closed, STILL)


def balanced(active_w: float, power_factor: float, split: tuple[float, float, float] = (1 / 3,) * 3) -> Plant:
    return still_plant(Load(1, active_w, power_factor, split, 0.0, STILL))


def triangle(shown: Measured, phase: str) -> tuple[float, float, float]:
    return tuple(shown[f"power_{kind}", phase] for kind in ("active", "reactive", "apparent"))  # type: ignore[return-value]


def test_worked_example_of_a_balanced_circuit() -> None:
    # Source: textbook three-phase relations (IEEE 1459, from memory); computed apart with S = sqrt(3) V I:
    # 480 V, 100 A, PF 0.85: V_LN 277.128 V, S 83.138 kVA, P 70.668 kW, Q 43.796 kvar.
    shown = measure(balanced(70_667.6, 0.85), "52-F1", perfect(), 0.0)
    assert shown["current", "a"] == pytest.approx(100.0, abs=0.01)
    assert shown["voltage_phase", "b"] == pytest.approx(277.128, abs=0.001)
    assert shown["voltage_line", "ca"] == pytest.approx(480.0)
    assert triangle(shown, "total") == pytest.approx((70_668, 43_796, 83_138), rel=1e-5)
    assert shown["power_factor", "total"] == pytest.approx(0.85)


def test_worked_example_of_an_unbalanced_circuit() -> None:
    # Source: the same relations, phases apart: 277 V with 100 A at 0.9, 80 A at 0.8, 60 A at 1.0 (lagging)
    # need P = 277 * (90 + 64 + 60) W and Q = 277 * (43.589 + 48 + 0) var. One power factor holds for all
    # phases of a load here, so the currents are given directly.
    voltages = tuple(cmath.rect(277, angle) for angle in (0, -math.tau / 3, math.tau / 3))
    currents = [
        cmath.rect(amps, cmath.phase(v) - math.acos(factor))
        for amps, factor, v in zip((100, 80, 60), (0.9, 0.8, 1.0), voltages, strict=True)
    ]
    power = sum(v * i.conjugate() for v, i in zip(voltages, currents, strict=True))
    assert power.real == pytest.approx(277 * 214)
    assert power.imag == pytest.approx(277 * (100 * math.sqrt(0.19) + 48))


@pytest.mark.parametrize("tag", ["52-M1", "52-M2", "52-F1", "52-F10", "MTR-F11"])
@pytest.mark.parametrize("time_s", INSTANTS)
def test_power_triangle_and_factor(tag: str, time_s: float) -> None:
    # Source: IEEE 1459 (from memory): P^2 + Q^2 <= S^2 always; PF = P / S.
    entry = roster()[tag]
    instrument = instrument_of(entry, "x")
    assert instrument is not None
    shown = measure(plant("x", DRAWN), entry.circuit, instrument, time_s)
    for phase in ("a", "b", "c", "total"):
        active, reactive, apparent = triangle(shown, phase)
        assert math.hypot(active, reactive) <= apparent * (1 + 1e-12)
        assert apparent < 1.02 * math.hypot(active, reactive)
        assert shown["power_factor", phase] == pytest.approx(active / apparent)
    for kind in ("active", "reactive", "apparent"):
        assert shown[f"power_{kind}", "total"] == pytest.approx(sum(shown[f"power_{kind}", n] for n in "abc"))


@pytest.mark.parametrize("time_s", INSTANTS)
def test_a_main_carries_the_phasor_sum_of_its_feeders(time_s: float) -> None:
    # Source: Kirchhoff's current law, per phase and as phasors.
    model = plant("x", DRAWN)
    for main, feeders in (("52-M1", range(1, 7)), ("52-M2", range(7, 13))):
        for n in range(3):
            below = sum(model.flow(f"52-F{k}", time_s).currents[n] for k in feeders)
            assert model.flow(main, time_s).currents[n] == pytest.approx(below)
    assert model.flow("52-T", time_s).currents == NOTHING


def test_line_voltages_follow_from_the_phase_phasors() -> None:
    # Source: law of cosines on two phase phasors.
    model = plant("x", DRAWN)
    flow = model.flow("52-M1", 5.0)
    shown = measure(model, "52-M1", perfect(), 5.0)
    for pair, (one, other) in {"ab": (0, 1), "bc": (1, 2), "ca": (2, 0)}.items():
        a, b = flow.voltages[one], flow.voltages[other]
        angle = cmath.phase(a) - cmath.phase(b)
        squared = abs(a) ** 2 + abs(b) ** 2 - 2 * abs(a) * abs(b) * math.cos(angle)
        assert shown["voltage_line", pair] == pytest.approx(math.sqrt(squared))


def test_neutral_current_is_the_phasor_sum() -> None:
    # Source: 100, 80 and 60 A at exact 120 degrees give sqrt(a2 + b2 + c2 - ab - bc - ca) = 34.641 A.
    plant_now = balanced(277.128 * 240 * 0.9, 0.9, (100 / 240, 80 / 240, 60 / 240))
    shown = measure(plant_now, "52-F1", perfect(), 0.0)
    assert shown["current", "n"] == pytest.approx(34.641, abs=0.005)


def test_voltage_unbalance_of_a_worked_case() -> None:
    # Source: IEC 61000-4-30 definition by symmetrical components (from memory); 277 at 0, 270 at -121 and
    # 283 at 118 degrees have V2 / V1 = 0.6574 %; the formula with beta on line voltages agrees (below).
    volts = tuple(cmath.rect(m, math.radians(d)) for m, d in ((277, 0), (270, -121), (283, 118)))
    ratio = negative_sequence_ratio(volts)  # type: ignore[arg-type]
    assert ratio == pytest.approx(0.006574, abs=5e-7)
    lines = [abs(volts[0] - volts[1]), abs(volts[1] - volts[2]), abs(volts[2] - volts[0])]
    beta = sum(v**4 for v in lines) / sum(v**2 for v in lines) ** 2
    root = math.sqrt(3 - 6 * beta)
    assert ratio == pytest.approx(math.sqrt((1 - root) / (1 + root)), rel=1e-6)


@pytest.mark.parametrize("tag", ["52-F4", "52-M1"])
def test_energy_is_the_integral_of_power(tag: str) -> None:
    # Source: Simpson's rule on the power, against the model's closed form.
    model, begin, end, steps = plant("x", DRAWN), 100.0, 400.0, 3000
    width = (end - begin) / steps

    def power(n: int) -> complex:
        flow = model.flow(tag, begin + n * width)
        return sum(v * i.conjugate() for v, i in zip(flow.voltages, flow.currents, strict=True))

    inner = sum((4 if n % 2 else 2) * power(n) for n in range(1, steps))
    total = (power(0) + inner + power(steps)) * width / 3 / 3600
    for part, expected in ((0, total.real), (1, total.imag)):
        counted = sum(model.energy(tag, n, end)[part] - model.energy(tag, n, begin)[part] for n in range(3))
        assert counted == pytest.approx(expected, rel=1e-6)


def test_a_reversed_current_transformer_leaves_a_third() -> None:
    # Source: balanced circuit, one of three equal powers with its sign turned: P reads 1/3 of the truth.
    wired = Instrument(
        volt_gain=1, amp_gain=1, wobble=STILL, energy_start=(0, 0, 0, 0), volt_distortion=0,
        currents=((0, 1), (1, -1), (2, 1)),
    )  # fmt: skip
    shown = measure(balanced(90_000, 0.9), "52-F1", wired, 3600.0)
    assert shown["power_active", "total"] == pytest.approx(30_000)
    assert shown["power_active", "b"] == pytest.approx(-30_000)
    assert shown["energy_active_import", "total"] == pytest.approx(30_000)
    assert shown["power_factor", "b"] == pytest.approx(-0.9)


def test_two_exchanged_current_transformers_leave_nothing() -> None:
    # Source: balanced circuit, currents of two phases exchanged: P total is 0 for any power factor.
    wired = Instrument(
        volt_gain=1, amp_gain=1, wobble=STILL, energy_start=(0, 0, 0, 0), volt_distortion=0,
        currents=((0, 1), (2, 1), (1, 1)),
    )  # fmt: skip
    shown = measure(balanced(90_000, 0.9), "52-F1", wired, 3600.0)
    assert shown["power_active", "total"] == pytest.approx(0, abs=1e-6)
    assert shown["current", "b"] == pytest.approx(shown["current", "a"])


def test_demand_of_a_steady_load_is_its_power() -> None:
    shown = measure(balanced(90_000, 0.9), "52-F1", perfect(), 2000.0)
    assert shown["demand_active", "total"] == pytest.approx(90_000)


def test_distortion_raises_the_current_and_lowers_the_factor() -> None:
    # Source: I_rms = I_1 * sqrt(1 + THD^2); the harmonics carry no power (IEEE 1459, from memory).
    load = Load(1, 90_000, 0.9, (1 / 3,) * 3, 0.2, STILL)
    shown = measure(still_plant(load), "52-F1", perfect(), 0.0)
    plain = measure(balanced(90_000, 0.9), "52-F1", perfect(), 0.0)
    assert shown["current", "a"] == pytest.approx(plain["current", "a"] * math.sqrt(1.04))
    assert shown["power_factor", "total"] == pytest.approx(0.9 / math.sqrt(1.04))
    assert shown["power_active", "total"] == pytest.approx(plain["power_active", "total"])


@pytest.mark.parametrize(
    ("main_1", "main_2", "tie", "expected"),
    [
        (True, True, False, {"52-M1": (1, 0), "52-M2": (0, 1), "52-T": (0, 0)}),
        (True, False, True, {"52-M1": (1, 1), "52-M2": (0, 0), "52-T": (0, 1)}),
        (False, True, True, {"52-M1": (0, 0), "52-M2": (1, 1), "52-T": (-1, 0)}),
        (False, False, True, {"52-M1": (0, 0), "52-M2": (0, 0), "52-T": (0, 0)}),
    ],
)
def test_who_carries_which_bus(
    main_1: bool, main_2: bool, tie: bool, expected: dict[str, tuple[float, float]]
) -> None:
    assert weights(main_1=main_1, main_2=main_2, tie=tie) == expected


def test_parallel_mains_share_and_the_tie_carries_the_difference() -> None:
    shares = weights(main_1=True, main_2=True, tie=True)
    # Bus 1 gives what main 1 carries beyond bus 1's own load; Kirchhoff at bus 1.
    for bus in (0, 1):
        own = 1.0 if bus == 0 else 0.0
        assert shares["52-M1"][bus] - shares["52-T"][bus] == pytest.approx(own)


def test_a_dead_bus_shows_nothing() -> None:
    model = plant("x", DRAWN | {"52-M1": False})
    shown = measure(model, "52-F1", perfect(), 10.0)
    assert shown["voltage_line", "ab"] == 0
    assert shown["current", "a"] == 0
    assert model.energy("52-F1", 0, 100.0) == (0, 0)
    # A main's own voltages are those of its source also when it is open.
    assert measure(model, "52-M1", perfect(), 10.0)["voltage_line", "ab"] > 450


def test_wander_is_bounded_repeatable_and_integrates() -> None:
    walk = wander("a name", 0.05)
    assert walk == wander("a name", 0.05)
    assert walk != wander("another name", 0.05)
    assert all(abs(walk.at(t / 7)) <= 0.05 for t in range(2000))
    step = 1e-3
    slope = (walk.integral(50 + step) - walk.integral(50 - step)) / (2 * step)
    assert slope == pytest.approx(walk.at(50), abs=1e-6)


def test_the_lineup_has_the_promised_shape() -> None:
    drawn = roster()
    assert len(drawn) >= 26
    assert len({entry.serial for entry in drawn.values()}) == len(drawn)
    behind = [(entry.via, entry.unit) for entry in drawn.values() if entry.via]
    assert len(set(behind)) == len(behind)
    assert {via for via, _ in behind} == {"GW-1", "GW-2"}
    assert all(entry.fed_from in drawn for entry in drawn.values() if entry.fed_from)
