"""Calculations from a map are those of the desk with the map's numbers, and nothing that it leaves out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from probe.desk import battery, bus, channel, copper, fibre
from probe.desk.conductor import CONDUCTORS
from probe.desk.from_map import (
    Calculation,
    Kind,
    autonomy_working,
    bus_working,
    calculations,
    capacity_working,
    channel_working,
    copper_working,
    feeder_of,
    fibre_working,
    names,
    tags_on,
)
from probe.desk.working import Amount
from probe.model.cable_data import Channel, FibreLink, SerialBus
from probe.model.cable_power import Bank, Feeder
from probe.model.cable_words import Fibre
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


LINK = {"name": "FO", "ends": ["GW", "M1"], "fibre": "om3", "wavelength_nm": 850, "length_m": 350}
FEEDER = {"name": "DC", "supply": "P", "loads": [{"name": "A", "distance_m": 20, "draw_a": 2}]}
BANK = {"name": "B", "supply": "UPS-1", "capacity_ah": 12, "load_profile": [{"draw_w": 96}]}
EVERYTHING = {
    "fibres": [LINK],
    "channels": [{"name": "CH", "ends": ["GW", "M2"], "fixed_m": 70}],
    "buses": [{"name": "RS", "line": "GW", "requests": 1, "registers": 10}],
    "feeders": [FEEDER],
    "banks": [{**BANK, "wanted_min": 30}],
    "conduits": [{"name": "CD", "holds": ["fibre"]}],
}


def test_everything_that_is_drawn_is_calculated_in_its_order_with_a_title() -> None:
    made = calculations(drawn(**EVERYTHING))
    assert [(one.kind, one.name, one.title) for one in made] == [
        (Kind.FIBRE, "FO", "FO: fibre GW - M1"),
        (Kind.CHANNEL, "CH", "CH: channel GW - M2"),
        (Kind.BUS, "RS", "RS: serial line GW"),
        (Kind.COPPER, "DC", "DC: DC feeder from P"),
        (Kind.AUTONOMY, "B", "B: battery of UPS-1"),
        (Kind.CAPACITY, "B", "B: capacity that UPS-1 needs"),
        (Kind.CONDUIT, "CD", "CD: cables in one conduit"),
    ]
    assert [one.working.calculation for one in made] == [
        "fibre", "channel", "bus", "copper", "battery", "battery", "conduit"
    ]  # fmt: skip


def test_a_fibre_takes_what_the_map_says_of_it() -> None:
    light = {"launch_least_dbm": -9, "launch_most_dbm": -3, "sensitivity_dbm": -17, "overload_dbm": -2}
    link = FibreLink.model_validate(
        {**LINK, "length_plus_minus_m": 5, "connectors": 3, "splices": 1, "connector_db": 0.5,
         "splice_db": 0.2, "db_per_km": 2.9, "ageing_db": 1, "application": "1000base-sx",
         "transceivers": light}
    )  # fmt: skip
    way = fibre.Link(
        fibre=Fibre.OM3, wavelength_nm=850, length_m=Amount(value=350, unit="m", plus_minus=5),
        connectors=3, splices=1, connector_db=0.5, splice_db=0.2, db_per_km=2.9,
    )  # fmt: skip
    by_hand = fibre.budget(way, optics=fibre.Optics(**light), ageing_db=1, application=fibre.APPLICATIONS[3])
    assert fibre_working(link) == by_hand


def test_a_fibre_takes_the_standards_numbers_where_the_map_says_none() -> None:
    way = fibre.Link(
        fibre=Fibre.OM3, wavelength_nm=850, length_m=Amount(value=350, unit="m"), connectors=2, splices=0
    )
    assert fibre_working(FibreLink.model_validate(LINK)) == fibre.budget(way)
    nothing = {**LINK, "connector_db": 0, "splice_db": 0, "ageing_db": 0, "splices": 2}
    lossless = fibre.budget(replace(way, splices=2, connector_db=0.0, splice_db=0.0), ageing_db=0.0)
    assert fibre_working(FibreLink.model_validate(nothing)) == lossless, "nothing is a number too"


def test_a_channel_takes_what_the_map_says_of_it() -> None:
    one = Channel.model_validate(
        {"name": "CH", "ends": ["A", "B"], "fixed_m": 70, "fixed_plus_minus_m": 3, "cords_m": 12,
         "cord_gauge": 26, "ambient_c": 35, "screened": True}
    )  # fmt: skip
    by_hand = channel.Channel(
        fixed_m=Amount(value=70, unit="m", plus_minus=3), cords_m=Amount(value=12, unit="m"),
        cord_gauge=26, ambient_c=35, screened=True,
    )  # fmt: skip
    assert channel_working(one) == channel.channel_length(by_hand)


LINE = {"name": "RS", "line": "GW", "requests": 2, "registers": 10}


def test_a_serial_line_takes_what_the_map_says_of_it() -> None:
    line = SerialBus.model_validate(
        {**LINE, "baud": 9600, "bits": 10, "response_ms": 40, "response_plus_minus_ms": 10, "gap_ms": 5,
         "timeout_s": 0.7, "retries": 1, "dead": 2, "wanted_s": 4, "length_m": 400,
         "length_plus_minus_m": 30, "cable": "cat5", "polarised": True, "four_wire": True}
    )  # fmt: skip
    scan = bus.Round(
        devices=((25, 25),) * 8, response_s=Amount(value=0.04, unit="s", plus_minus=0.01), gap_s=0.005,
        dead=2, timeout_s=0.7, retries=1,
    )  # fmt: skip
    reach = bus.Reach(
        length_m=Amount(value=400, unit="m", plus_minus=30), cable="cat5", polarised=True, four_wire=True
    )
    by_hand = bus.cycle(bus.Line(baud=9600, bits=10), scan, wanted_s=4, reach=reach)
    assert bus_working(line, drawn()) == by_hand


def test_no_more_devices_are_dead_than_there_are() -> None:
    told = dict(bus_working(SerialBus.model_validate({**LINE, "dead": 20}), drawn()).inputs)
    assert (told["devices"], told["dead"]) == (8, 8)


def with_a_serial_port() -> DeviceMap:
    made = drawn()
    port = {"port": "/dev/ttyS1", "baud": 38_400}
    text = {
        "kind": "meter",
        "profile": "p",
        "section": "A",
        "tag": "S1",
        "address": {"serial": port, "unit": 1},
    }
    whole = made.model_dump(mode="json", exclude_unset=True)
    return DeviceMap.model_validate({**whole, "devices": [*whole["devices"], text]})


@pytest.mark.parametrize(
    ("line", "tags", "baud"),
    [
        ({**LINE, "line": "/dev/ttyS1"}, ("S1",), 38_400),
        ({**LINE, "line": "/dev/ttyS1", "baud": 1200}, ("S1",), 1200),
        (LINE, tuple(f"M{n}" for n in range(1, 9)), 19_200),
        ({**LINE, "line": "/dev/ttyS2"}, (), 19_200),
    ],
)
def test_the_devices_and_the_rate_of_a_line(line: dict[str, Any], tags: tuple[str, ...], baud: int) -> None:
    """19200 baud where nobody says. Source: MODBUS over Serial Line V1.02, 3.2 (default)."""
    given, made = SerialBus.model_validate(line), with_a_serial_port()
    assert tags_on(given, made) == tags
    assert dict(bus_working(given, made).inputs)["baud"] == baud


def test_what_was_measured_takes_the_place_of_the_drawing() -> None:
    seen = Amount(value=123, unit="m", plus_minus=1)
    link, line = FibreLink.model_validate(LINK), SerialBus.model_validate({**LINE, "length_m": 400})
    one = Channel.model_validate({"name": "CH", "ends": ["A", "B"], "fixed_m": 70})
    assert dict(fibre_working(link, seen).inputs)["length"] == seen
    assert dict(channel_working(one, seen).inputs)["fixed"] == seen
    assert dict(bus_working(line, drawn(), seen).inputs)["length"] == seen
    feeder = Feeder.model_validate(FEEDER)
    assert copper_working(feeder, {"A": seen}).inputs[-1] == ("load A", "123 ± 1 m, 2 A")
    assert copper_working(feeder, {"B": seen}).inputs[-1] == ("load A", "20 m, 2 A")


def test_a_feeders_ends_and_limits() -> None:
    bare = feeder_of(Feeder.model_validate(FEEDER), {})
    assert (bare.supply_v, bare.least_v, bare.most_v, bare.temperature_c) == (24, 24, 24, 40)
    assert (bare.limit_least_v, bare.limit_most_v) == (20.4, 28.8)
    assert "IEC 61131-2" in bare.limit_source
    wide = feeder_of(Feeder.model_validate({**FEEDER, "supply_least_v": 21, "supply_most_v": 28}), {})
    assert (wide.supply_v, wide.least_v, wide.most_v) == (24, 21, 28)
    for given, limits in (
        ({"limit_least_v": 19}, (19, 28.8)),
        ({"limit_most_v": 30}, (20.4, 30)),
        ({"limit_least_v": 19, "limit_most_v": 30}, (19, 30)),
    ):
        made = feeder_of(Feeder.model_validate({**FEEDER, **given}), {})
        assert (made.limit_least_v, made.limit_most_v) == limits
        assert made.limit_source == "limits of the loads, as the map gives them"


def test_an_uncertain_distance_and_a_draw_in_either_unit() -> None:
    loads = [
        {"name": "A", "distance_m": 20, "distance_plus_minus_m": 2, "draw_a": 2},
        {"name": "B", "distance_m": 30, "draw_w": 60},
    ]
    first, second = feeder_of(Feeder.model_validate({**FEEDER, "loads": loads}), {}).loads
    assert (first.distance_m.plus_minus, first.draw, first.is_power) == (2, 2, False)
    assert (second.distance_m.plus_minus, second.draw, second.is_power) == (0, 60, True)


def test_a_battery_takes_what_the_map_says_of_it() -> None:
    bank = Bank.model_validate(
        {"name": "B", "supply": "U", "voltage_v": 48, "capacity_ah": 12, "hour_rate_h": 10,
         "rate_exponent": 1.2, "depth": 0.7, "efficiency": 0.95, "health": 0.75, "temperature_c": 12,
         "wanted_min": 45, "load_profile": [{"draw_w": 300, "minutes": 6}, {"draw_w": 96}]}
    )  # fmt: skip
    held = battery.Bank(
        volts=48, capacity_ah=12, hours=10, exponent=1.2, depth=0.7, efficiency=0.95, health=0.75,
        temperature_c=12,
    )  # fmt: skip
    profile = [battery.Stretch(watts=300, hours=0.1), battery.Stretch(watts=96)]
    assert autonomy_working(bank) == battery.autonomy(held, profile, wanted_h=0.75)
    finite = [profile[0], battery.Stretch(watts=96, hours=0.65)]
    assert capacity_working(bank, 45) == battery.sizing(held, finite, ageing=1 / 0.75)


def test_without_a_wanted_time_a_battery_has_an_autonomy_and_no_limit() -> None:
    made = only(calculations(drawn(banks=[BANK])))
    assert (made.kind, made.working.checks) == (Kind.AUTONOMY, ())
    assert names(drawn(banks=[BANK]).cabling, Kind.CAPACITY) == ()


def test_a_wanted_time_that_ends_with_a_part_asks_nothing_of_the_next() -> None:
    bank = Bank.model_validate(
        {**BANK, "load_profile": [{"draw_w": 300, "minutes": 6}, {"draw_w": 96}], "wanted_min": 6}
    )
    inputs = dict(capacity_working(bank, 6).inputs)
    assert inputs["loads"] == "300 W for 6 min"


def test_power_beside_a_conduit_counts_by_circuits_and_feeder() -> None:
    """Two circuits, and a feeder of 63 A in three phases: 2 + 12. Source: EN 50174-2 (from memory)."""
    beside = {"data_class": "c", "divider": "open", "circuits": 2, "feeder_a": 63, "distance_mm": 40}
    made = only(
        calculations(drawn(conduits=[{"name": "CD", "holds": ["twisted-pair"], "beside_power": beside}]))
    )
    told = dict(made.working.inputs)
    assert (told["class"], told["divider"], told["circuits"]) == ("c", "open", 14)
    assert told["distance"] == Amount(value=40, unit="mm")
    del beside["feeder_a"]
    made = only(
        calculations(drawn(conduits=[{"name": "CD", "holds": ["twisted-pair"], "beside_power": beside}]))
    )
    assert dict(made.working.inputs)["circuits"] == 2


def test_a_conduit_knows_its_cables_by_their_names() -> None:
    held = {"name": "CD", "holds": ["FO", "power"]}
    made = calculations(drawn(fibres=[LINK], conduits=[held]))[-1].working
    assert dict(made.inputs)["cables"] == "fibre, power"
    assert made.verdict is Verdict.FAIL


def test_there_are_no_names_for_what_is_no_part_of_a_map() -> None:
    assert names(drawn(**EVERYTHING).cabling, Kind.CURVE) == ()
