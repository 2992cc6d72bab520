"""Systems of one phase, deltas, and a bus that turns the other way: textbook circuits worked out by numpy."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from probe.judge.diagnosis.flow import flow_of, rotation_of
from probe.judge.diagnosis.inside import Size, terms
from probe.judge.diagnosis.picture import picture
from probe.judge.diagnosis.search import BROKEN
from probe.judge.electrical.apparent import apparent_from
from probe.judge.electrical.currents import _neutral_trials, _return_trials
from probe.judge.electrical.powers import _power_trials
from probe.judge.electrical.snapshot import Frame, Raw, Snapshot, snapshot
from probe.judge.electrical.totals import _total_trials
from probe.judge.electrical.trial import Trial
from probe.model.finding import Verdict
from probe.model.profile import Accuracy, Conventions

METER = Accuracy(voltage_percent=0.2, current_percent=0.2, power_percent=0.5, reactive_percent=2)
WYE = Frame(
    tag="F1", wiring="wye", voltage_v=480, frequency_hz=60, accuracy=METER, conventions=Conventions(),
    rating_a=100, rating_from="sensor in the map",
)  # fmt: skip
SINGLE = replace(WYE, wiring="single", voltage_v=230, frequency_hz=50)
DELTA = replace(WYE, wiring="delta", voltage_v=240)

Values = dict[tuple[str, str], float]


def taken(frame: Frame, values: Values) -> Snapshot:
    """A snapshot of values that one reply brought."""
    raws = [Raw(key, value, 0.01, "", "_".join(key), 7, 0, 5_000_000) for key, value in values.items()]
    return snapshot(frame, 0, raws)


def rect(size: float, degrees: float) -> complex:
    return complex(size * np.exp(1j * np.radians(degrees)))


#: 230 V, 50 A, power factor 0.8: the triangle of sides 3, 4 and 5. Source: S = V I, P = S cos (textbook).
ONE: Values = {
    ("voltage_phase", "a"): 230.0, ("current", "a"): 50.0, ("current", "n"): 50.0,
    ("power_active", "total"): 9200.0, ("power_reactive", "total"): 6900.0,
    ("power_apparent", "total"): 11500.0,
}  # fmt: skip


def test_power_of_a_single_phase_is_volts_times_amperes() -> None:
    due = apparent_from(taken(SINGLE, ONE), "total")
    assert due is not None
    assert due.value == pytest.approx(11_500)
    assert [one.verdict for one in _power_trials(taken(SINGLE, ONE), "total")] == [Verdict.PASS]
    as_of_three = {**ONE, ("power_apparent", "total"): 11_500 * math.sqrt(3)}
    assert [one.verdict for one in _power_trials(taken(SINGLE, as_of_three), "total")] == [Verdict.FAIL]


def test_the_neutral_of_a_single_phase_carries_back_what_the_phase_brings() -> None:
    """Source: Kirchhoff's current law."""
    assert [one.verdict for one in _return_trials(taken(SINGLE, ONE))] == [Verdict.PASS]
    leaking = {**ONE, ("current", "n"): 44.0}
    assert [one.verdict for one in _return_trials(taken(SINGLE, leaking))] == [Verdict.FAIL]


def test_the_total_of_a_single_phase_is_the_phase() -> None:
    shown = {**ONE, ("power_active", "a"): 9200.0}
    assert [one.verdict for one in _total_trials(taken(SINGLE, shown))] == [Verdict.PASS]
    wrong = {**ONE, ("power_active", "a"): 4600.0}
    assert [one.verdict for one in _total_trials(taken(SINGLE, wrong))] == [Verdict.FAIL]


def test_one_phase_is_diagnosed_by_its_own_size_and_angle() -> None:
    values = {("voltage_phase", "a"): (230.0, 0.5), ("current", "a"): (50.0, 0.1),
              ("power_active", "a"): (9200.0, 50.0), ("power_reactive", "a"): (6900.0, 50.0)}  # fmt: skip
    seen = picture(values)
    size = Size(230 * math.sqrt(3), 50.0, 100.0, single=True)
    assert size.phase_v == pytest.approx(230.0)
    assert not [term for term in terms(seen, size) if term.log <= BROKEN]
    flow = flow_of(seen, 100.0)
    assert flow is not None
    assert flow.seen[0] == pytest.approx(math.degrees(math.acos(0.8)))
    assert flow.products == (11_500.0, 0.0, 0.0)


# A delta with phase B grounded: its phases stand 240, 0 and 240 V above ground. Source: textbook.
GROUNDED: Values = {
    ("voltage_line", "ab"): 240.0, ("voltage_line", "bc"): 240.0, ("voltage_line", "ca"): 240.0,
    ("voltage_phase", "a"): 240.0, ("voltage_phase", "b"): 0.0, ("voltage_phase", "c"): 240.0,
    ("current", "a"): 50.0, ("current", "b"): 50.0, ("current", "c"): 50.0,
    ("power_active", "total"): math.sqrt(3) * 240 * 50 * 0.8,
    ("power_reactive", "total"): math.sqrt(3) * 240 * 50 * 0.6,
}  # fmt: skip


def test_power_of_a_delta_is_reckoned_from_its_line_voltages() -> None:
    """Source: S = sqrt(3) V I (IEEE 1459, from memory), whatever is grounded."""
    shown = taken(DELTA, GROUNDED)
    due = apparent_from(shown, "total")
    assert due is not None
    assert due.value == pytest.approx(math.sqrt(3) * 240 * 50)
    assert [one.verdict for one in _power_trials(shown, "total")] == [Verdict.PASS]
    assert [one for phase in "abc" for one in _power_trials(shown, phase)] == []


#: Currents and lags of phases A, B and C, amperes and degrees.
LOADS = ((100.0, 10.0), (60.0, 0.0), (80.0, 40.0))


def phased(order: int, neutral: float) -> Snapshot:
    """The loads on a bus that turns A-B-C (1) or A-C-B (-1)."""
    values: Values = {("current", "n"): neutral}
    for n, (name, (amps, lag)) in enumerate(zip("abc", LOADS, strict=True)):
        volts = 277.0 * rect(1, -120 * n * order)
        power = volts * rect(amps, -120 * n * order - lag).conjugate()
        values |= {("voltage_phase", name): 277.0, ("current", name): amps}
        values |= {("power_active", name): power.real, ("power_reactive", name): power.imag}
    return taken(WYE, values)


def neutral_of(order: int) -> float:
    return float(abs(np.sum([rect(amps, -120 * n * order - lag) for n, (amps, lag) in enumerate(LOADS)])))


def neutral_trial(order: int) -> Trial:
    shown = phased(order, neutral_of(order))
    phases = shown.phases("current")
    assert phases is not None
    (seen,) = _neutral_trials(shown, phases)
    return seen


def test_powers_do_not_tell_the_order_but_the_neutral_does() -> None:
    """82.9 A in one order of the phases and 9.9 A in the other, with the same powers. Source: Kirchhoff's
    current law; computed."""
    assert (neutral_of(1), neutral_of(-1)) == pytest.approx((82.914, 9.857), abs=1e-3)
    assert neutral_trial(1).verdict is Verdict.PASS
    turned = neutral_trial(-1)
    assert turned.verdict is Verdict.REVIEW
    assert "A, C, B" in turned.title


def test_rotation_is_told_by_angles_and_by_the_negative_sequence() -> None:
    """Source: Fortescue's transformation: A-C-B is all negative sequence."""
    turned = {("angle_voltage", n): (a, 1.0) for n, a in zip("abc", (0.0, 120.0, -120.0), strict=True)}
    assert rotation_of(picture(turned)) == -1
    straight = {("angle_voltage", n): (a, 1.0) for n, a in zip("abc", (0.0, -120.0, 120.0), strict=True)}
    assert rotation_of(picture(straight)) == 1
    volts = {("voltage_phase", n): (277.0, 1.0) for n in "abc"}
    assert rotation_of(picture({**volts, ("unbalance_voltage", ""): (100.0, 0.5)})) == -1
    assert rotation_of(picture({**volts, ("unbalance_voltage", ""): (1.0, 0.5)})) == 0
