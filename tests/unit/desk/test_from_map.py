"""Calculations from a map are those of the desk with the map's numbers, and nothing that it leaves out."""

from __future__ import annotations

from typing import Any

import pytest

from probe.desk import battery, bus, copper
from probe.desk.conductor import CONDUCTORS
from probe.desk.from_map import Calculation, Kind, calculations, capacity_working, copper_working, names
from probe.desk.working import Amount
from probe.model.cable_power import Bank, Feeder
from probe.model.device_map import DeviceMap
from probe.model.finding import Verdict

DEVICE = {"kind": "meter", "profile": "p", "section": "A"}


def drawn(**cabling: Any) -> DeviceMap:
    return DeviceMap.model_validate(
        {
            "format": "buswitness-map/1", "site": "S", "lineup": "L",
            "system": {"voltage_v": 480, "frequency_hz": 60}, "cabling": cabling,
            "devices": [
                {**DEVICE, "tag": "GW", "address": {"host": "127.0.0.1"}},
                *({**DEVICE, "tag": f"M{n}", "address": {"via": "GW", "unit": n}} for n in range(1, 9)),
            ],
        }
    )  # fmt: skip


def only(made: tuple[Calculation, ...]) -> Calculation:
    assert len(made) == 1
    return made[0]


def test_a_map_without_cabling_calculates_nothing() -> None:
    assert calculations(drawn()) == ()


def test_a_fibre_without_limits_is_not_tested() -> None:
    link = {"name": "FO", "ends": ["GW", "M1"], "fibre": "om1", "wavelength_nm": 1300, "length_m": 350,
            "connectors": 4, "splices": 2}  # fmt: skip
    made = only(calculations(drawn(fibres=[link])))
    assert made.working.verdict is Verdict.NOT_TESTED
    assert made.working.result[0].value == pytest.approx(4.125)


def test_a_serial_line_counts_the_devices_behind_its_gateway() -> None:
    """8 devices of 3 blocks of 20 registers, 19200 baud, 50 ms: 2.025 s; one dead: 10.813 s.

    Source: MODBUS over Serial Line V1.02, 2.5.1 (computed).
    """
    line = {"name": "RS", "line": "GW", "requests": 3, "registers": 20, "dead": 1, "wanted_s": 5}
    made = only(calculations(drawn(buses=[line])))
    assert [one.value for one in made.working.result[:2]] == pytest.approx([2.025, 10.8131], abs=1e-4)
    assert made.working.verdict is Verdict.FAIL
    assert bus.reply_bytes(20) == 45


def test_a_feeder_is_that_of_the_desk() -> None:
    feeder = Feeder.model_validate(
        {"name": "DC", "supply": "P", "conductor": "2.5mm2-fine", "temperature_c": 60, "supply_least_v": 23.5,
         "loads": [{"name": "A", "distance_m": 20, "draw_a": 2},
                   {"name": "B", "distance_m": 40, "draw_w": 60}]}
    )  # fmt: skip
    loads = (
        copper.Load(name="A", distance_m=Amount(value=20, unit="m"), draw=2),
        copper.Load(name="B", distance_m=Amount(value=40, unit="m"), draw=60, is_power=True),
    )
    by_hand = copper.feeder_voltages(
        copper.Feeder(supply_v=24, least_v=23.5, most_v=24, conductor=CONDUCTORS["2.5mm2-fine"],
                      temperature_c=60, loads=loads)
    )  # fmt: skip
    assert copper_working(feeder) == by_hand


@pytest.mark.parametrize(("wanted", "stretches"), [(30, [(300, 5), (96, 25)]), (3, [(300, 3)])])
def test_the_load_profile_is_cut_or_gone_on_with_for_the_wanted_time(
    wanted: float, stretches: list[tuple[float, float]]
) -> None:
    bank = Bank.model_validate(
        {"name": "B", "supply": "U", "capacity_ah": 12, "wanted_min": wanted,
         "load_profile": [{"draw_w": 300, "minutes": 5}, {"draw_w": 96}]}
    )  # fmt: skip
    profile = [battery.Stretch(watts=watts, hours=minutes / 60) for watts, minutes in stretches]
    need = battery.needed_ah(battery.Bank(volts=24, capacity_ah=12, depth=0.8, efficiency=0.9), profile)
    assert capacity_working(bank, wanted).result[0].value == pytest.approx(need)


def test_names_are_those_that_are_calculated() -> None:
    made = drawn(
        conduits=[{"name": "CD", "holds": ["fibre"]}],
        banks=[{"name": "B", "supply": "GW", "capacity_ah": 12, "load_profile": [{"draw_w": 96}]}],
    )
    for kind in Kind:
        assert names(made.cabling, kind) == tuple(
            one.name for one in calculations(made) if one.kind is kind
        ), kind


def test_an_uncertain_response_spreads_the_round() -> None:
    """8 devices of 3 requests: 24 responses of 50 ms, each 10 ms more or less: 0.24 s."""
    line = {"name": "RS", "line": "GW", "requests": 3, "registers": 20, "response_ms": 50,
            "response_plus_minus_ms": 10}  # fmt: skip
    made = only(calculations(drawn(buses=[line]))).working.result[0]
    assert (made.value - made.low, made.high - made.value) == pytest.approx((0.24, 0.24), abs=1e-6)


@pytest.mark.parametrize(
    ("stages", "stretches"),
    [
        ([(300, 5), (96, 10)], [(300, 5), (96, 25)]),
        ([(96, 10)], [(96, 30)]),
        ([(300, 5), (200, 5), (96, 10)], [(300, 5), (200, 5), (96, 20)]),
    ],
)
def test_a_profile_that_ends_early_goes_on_with_its_last_load(
    stages: list[tuple[float, float]], stretches: list[tuple[float, float]]
) -> None:
    bank = Bank.model_validate(
        {"name": "B", "supply": "U", "capacity_ah": 12, "wanted_min": 30,
         "load_profile": [{"draw_w": watts, "minutes": minutes} for watts, minutes in stages]}
    )  # fmt: skip
    profile = [battery.Stretch(watts=watts, hours=minutes / 60) for watts, minutes in stretches]
    need = battery.needed_ah(battery.Bank(volts=24, capacity_ah=12, depth=0.8, efficiency=0.9), profile)
    assert capacity_working(bank, 30).result[0].value == pytest.approx(need)
