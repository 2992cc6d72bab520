"""Desk calculations over all inputs: more never makes it better, and two ways to the answer agree."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.desk.battery import Bank, Stretch, autonomy_h, needed_ah
from probe.desk.bus import Line, Round, cycle_s, reply_bytes
from probe.desk.copper import Load, voltages
from probe.desk.fibre import Fibre, Link, budget
from probe.desk.working import Amount

lengths = st.floats(1, 5000)
ohms = st.lists(st.floats(0.001, 1), min_size=1, max_size=5)


def loads_for(stretches: list[float], powers: list[float], currents: list[float]) -> list[Load]:
    here = Amount(value=1, unit="m")
    draws = [
        (p, True) if i % 2 else (c, False) for i, (p, c) in enumerate(zip(powers, currents, strict=True))
    ]
    pairs = zip(stretches, draws, strict=False)
    return [Load(name=str(i), distance_m=here, draw=d, is_power=w) for i, (_, (d, w)) in enumerate(pairs)]


def fixed_point(supply_v: float, stretches: list[float], loads: list[Load]) -> list[float] | None:
    """The same voltages by another way: from the unloaded feeder downward until they stand still."""
    volts = [supply_v] * len(loads)
    for _ in range(2000):
        currents = [load.current_a(v) for load, v in zip(loads, volts, strict=True)]
        new, at = [], supply_v
        for index, ohm in enumerate(stretches):
            at -= ohm * sum(currents[index:])
            new.append(at)
        if min(new) <= 0:
            return None
        if max(abs(a - b) for a, b in zip(new, volts, strict=True)) < 1e-12:
            return new
        volts = new
    return volts


draws = st.tuples(
    st.lists(st.floats(0, 40), min_size=5, max_size=5), st.lists(st.floats(0, 3), min_size=5, max_size=5)
)


@given(ohms, draws)
def test_a_feeder_agrees_with_another_way_to_solve_it(
    stretches: list[float], drawn: tuple[list[float], list[float]]
) -> None:
    loads = loads_for(stretches, *drawn)
    found, other = voltages(24, stretches, loads), fixed_point(24, stretches, loads)
    if found is None or min(found) < 13:  # near the collapse the other way crawls
        assert other is None or min(other) < 13.01
    else:
        assert other == pytest.approx(found, abs=1e-6)


@given(ohms, draws, st.integers(0, 4), st.floats(0.001, 1))
def test_a_longer_feeder_never_gives_more_volts(
    stretches: list[float], drawn: tuple[list[float], list[float]], at: int, more: float
) -> None:
    loads = loads_for(stretches, *drawn)
    longer = [*stretches]
    longer[at % len(longer)] += more
    before, after = voltages(24, stretches, loads), voltages(24, longer, loads)
    if before is None:
        assert after is None
    elif after is not None:
        assert all(b <= a + 1e-9 for a, b in zip(before, after, strict=True))


@given(st.sampled_from(Fibre), lengths, st.floats(0, 1000), st.integers(0, 20), st.integers(0, 20))
def test_a_longer_link_never_loses_less(
    kind: Fibre, length: float, more: float, connectors: int, splices: int
) -> None:
    def loss(metres: float, couplings: int) -> float:
        nm = 1300 if kind.startswith("om") else 1310
        link = Link(fibre=kind, wavelength_nm=nm, length_m=Amount(value=metres, unit="m"),
                    connectors=couplings, splices=splices)  # fmt: skip
        return budget(link).result[0].value

    assert loss(length + more, connectors) >= loss(length, connectors)
    assert loss(length, connectors + 1) > loss(length, connectors)


banks = st.builds(
    Bank,
    volts=st.just(24.0),
    capacity_ah=st.floats(1, 500),
    hours=st.sampled_from([5.0, 10.0, 20.0]),
    exponent=st.floats(1, 1.4),
    depth=st.floats(0.3, 1),
    efficiency=st.floats(0.5, 1),
    health=st.just(1.0),
)
powers = st.floats(1, 2000)


@given(banks, powers, powers)
def test_more_load_never_lasts_longer(bank: Bank, watts: float, more: float) -> None:
    light, heavy = ((Stretch(watts=w),) for w in (watts, watts + more))
    assert autonomy_h(bank, heavy) < autonomy_h(bank, light)


@given(banks, powers, st.floats(0.05, 10), powers, st.floats(0.05, 10))
def test_the_capacity_needed_lasts_just_as_long_as_wanted(
    bank: Bank, first: float, first_h: float, second: float, second_h: float
) -> None:
    from dataclasses import replace

    profile = (Stretch(watts=first, hours=first_h), Stretch(watts=second, hours=second_h))
    bought = replace(bank, capacity_ah=needed_ah(bank, profile))
    assert autonomy_h(bought, profile) == pytest.approx(first_h + second_h, rel=1e-6)


@given(
    st.sampled_from([1200, 9600, 19200, 38400, 115200]),
    st.integers(1, 125),
    st.integers(1, 32),
    st.floats(0, 1),
)
def test_a_round_grows_with_devices_registers_and_dead_ones(
    baud: int, registers: int, devices: int, response_s: float
) -> None:
    def time_s(count: int, words: int, dead: int = 0) -> float:
        scan = Round(devices=((reply_bytes(words),),) * count, dead=dead, timeout_s=5,
                     response_s=Amount(value=response_s, unit="s"))  # fmt: skip
        return cycle_s(Line(baud=baud), scan, response_s)

    base = time_s(devices, registers)
    assert time_s(devices + 1, registers) > base
    assert time_s(devices, registers + 1) > base
    assert time_s(devices, registers, dead=1) > base
