"""Curves against published constants and worked times, and against another library's protection functions.

Sources beside each check. The worked times of the standards' curves were computed from their published
constants, which several independent open-source libraries agree on; what is from memory is marked.
"""

from __future__ import annotations

import math
from types import SimpleNamespace

import pytest

from probe.desk.curve import (
    Function,
    overload_limits,
    short_circuit_limits,
    trip_time,
)
from probe.model.protection import Shape
from probe.model.trip_curve import i2t_s, inverse_s, reset_s

MULTIPLES = (1.5, 2, 5, 10, 20)
#: Source: IEC 60255-151, Annex A; IEEE C37.112. Seconds at TMS (or TD) 1.
WORKED = {
    Shape.IEC_A: (17.194, 10.0290, 4.2797, 2.9706, 2.2674),
    Shape.IEC_B: (27.0, 13.5, 3.375, 1.5, 0.71053),
    Shape.IEC_C: (64.0, 26.667, 3.3333, 0.80808, 0.20050),
    Shape.IEC_LONG: (240, 120, 30, 13.333, 6.3158),
    Shape.IEEE_D: (6.4390, 3.8032, 1.6883, 1.2068, 0.94806),
    Shape.IEEE_E: (16.179, 7.0277, 1.3081, 0.68908, 0.54015),
    Shape.IEEE_F: (22.682, 9.5217, 1.2967, 0.40655, 0.19238),
}
PLACES = [(shape, m, t) for shape, times in WORKED.items() for m, t in zip(MULTIPLES, times, strict=True)]


@pytest.mark.parametrize(("shape", "multiple", "seconds"), PLACES)
def test_curves_of_the_standards_at_worked_points(shape: Shape, multiple: float, seconds: float) -> None:
    assert inverse_s(shape, multiple, 1.0) == pytest.approx(seconds, rel=1e-4)


def test_a_multiplier_scales_the_whole_curve() -> None:
    """TMS 0.1, curve A, M = 10: 0.29706 s. Source: IEC 60255-151, Annex A (computed)."""
    assert inverse_s(Shape.IEC_A, 10, 0.1) == pytest.approx(0.29706, rel=1e-4)


@pytest.mark.parametrize("shape", WORKED)
@pytest.mark.parametrize("multiple", [0.0, 0.5, 1.0])
def test_at_or_below_the_pickup_nothing_trips(shape: Shape, multiple: float) -> None:
    assert math.isinf(inverse_s(shape, multiple, 1.0))


@pytest.mark.parametrize("shape", WORKED)
def test_above_twenty_times_the_pickup_the_time_is_held(shape: Shape) -> None:
    """Source: IEC 60255-151 (from memory)."""
    assert inverse_s(shape, 50, 1.0) == inverse_s(shape, 20, 1.0)


@pytest.mark.parametrize(
    ("shape", "seconds"), [(Shape.IEEE_D, 6.4667), (Shape.IEEE_E, 28.8), (Shape.IEEE_F, 38.8)]
)
def test_reset_times(shape: Shape, seconds: float) -> None:
    """At half the pickup. Source: IEEE C37.112 (constants from memory)."""
    assert reset_s(shape, 0.5) == pytest.approx(seconds, rel=1e-4)


@pytest.mark.parametrize(("x", "seconds"), [(1.5, 128), (2, 72), (3, 32), (6, 8), (7.2, 5.5556)])
def test_long_time_i2t(x: float, seconds: float) -> None:
    """8 s at 6 Ir, Ir 960 A. Source: t = tr (k/x)², common practice, no source; computed by hand."""
    assert i2t_s(8.0, 6 * 960.0, x * 960.0) == pytest.approx(seconds, rel=1e-4)


@pytest.mark.parametrize(("x", "seconds"), [(3, 3.3333), (5, 1.2), (8, 0.46875), (10, 0.3), (12, 0.3)])
def test_short_time_i2t_is_flat_beyond_its_reference(x: float, seconds: float) -> None:
    """0.3 s at 10 Ir. Source: common practice, no source; computed by hand."""
    assert i2t_s(0.3, 10 * 960.0, x * 960.0, flat_beyond=True) == pytest.approx(seconds, rel=1e-4)


def test_limits_of_releases() -> None:
    """Ir 960 A, Isd 3840 A, Ii 12 kA. Source: IEC 60947-2 (1.05 and 1.30; the rest from memory)."""
    overload = overload_limits(960, 1200)
    assert (overload.not_below_a, overload.not_above_a, overload.hours) == pytest.approx((1008, 1248, 2))
    assert overload_limits(40, 63).hours == 1
    short = short_circuit_limits(3840)
    assert (short.not_below_a, short.not_above_a) == pytest.approx((3072, 4608))
    fast = short_circuit_limits(12_000)
    assert (fast.not_below_a, fast.not_above_a) == pytest.approx((9600, 14_400))


def test_desk_steps_hold_the_numbers() -> None:
    answer = trip_time(Function(shape=Shape.IEC_B, pickup_a=400, delay=0.2), 2000)
    assert answer.time_s == pytest.approx(0.2 * 13.5 / 4)
    assert answer.steps[0] == "M = I / pickup = 2000 A / 400 A = 5"
    assert "0.675 s" in answer.steps[1]


# -- another library --------------------------------------------------------------------------------------

#: pandapower's names of the same curves (its inverse-time overcurrent relays).
THEIRS = {
    Shape.IEC_A: "standard_inverse",
    Shape.IEC_B: "very_inverse",
    Shape.IEC_C: "extremely_inverse",
    Shape.IEC_LONG: "long_inverse",
}


@pytest.mark.parametrize("shape", THEIRS)
@pytest.mark.parametrize("multiple", [1.05, 1.2, 2.0, 7.5, 19.5])
def test_a_power_system_library_has_the_same_times(shape: Shape, multiple: float) -> None:
    """The inverse-time relay of pandapower: its own formula and constants, the same inputs."""
    pytest.importorskip("pandapower", reason="pandapower is a development dependency")
    theirs = relay_time_s(THEIRS[shape], multiple, 0.35)
    assert inverse_s(shape, multiple, 0.35) == pytest.approx(theirs, rel=1e-9)


def relay_time_s(kind: str, multiple: float, multiplier: float) -> float:
    """The library's time at a multiple of the pickup, without a network: its result tables are handed in."""
    import pandas as pd
    from pandapower.protection.protection_devices.ocrelay import OCRelay

    relay = OCRelay.__new__(OCRelay)
    relay.__dict__.update(
        switch_index=0, oc_relay_type="IDMT", curve_type=kind, I_s=0.4, tms=multiplier, t_grade=0.0,
        activation_parameter="i_ka", tripped=False,
    )  # fmt: skip
    relay._select_k_alpha()
    net = SimpleNamespace(res_switch_sc=pd.DataFrame({"ikss_ka": [0.4 * multiple]}))
    return float(relay.protection_function(net, "sc")["trip_melt_time_s"])
