"""Who feeds whom and who measures what, from the map."""

from __future__ import annotations

from typing import Any

from probe.judge.electrical.topology import Stand, Tie, Topology, topology_of
from probe.model.device_map import DeviceMap


def topology(*devices: dict[str, Any]) -> Topology:
    """The topology of devices told by what differs from a trip unit."""
    entries = [
        {
            "kind": "trip-unit", "profile": "p", "section": "1", "address": {"host": f"10.0.0.{n}"}, **device
        }
        for n, device in enumerate(devices, 1)
    ]  # fmt: skip
    return topology_of(
        DeviceMap.model_validate(
            {
                "format": "buswitness-map/1", "site": "Tarn Hollow Water Works", "lineup": "MSB-1",
                "system": {"voltage_v": 480, "frequency_hz": 60}, "devices": entries,
            }
        )
    )  # fmt: skip


M1, M2 = {"tag": "M1"}, {"tag": "M2"}
F1, F2 = {"tag": "F1", "fed_from": "M1"}, {"tag": "F2", "fed_from": "M2"}


def meter(tag: str, **more: str) -> dict[str, Any]:
    return {"tag": tag, "kind": "meter", **more}


def test_main_and_feeders() -> None:
    drawn = topology(M1, F1, {"tag": "F3", "fed_from": "M1"})
    assert drawn.mains == ("M1",)
    assert drawn.feeders == {"M1": ("F1", "F3")}
    assert drawn.parent == {"F1": "M1", "F3": "M1"}
    assert drawn.ties == ()


def test_a_meter_alone_below_a_breaker_measures_it() -> None:
    drawn = topology(M1, F1, meter("PM", fed_from="F1"))
    assert drawn.circuit_of["PM"] == "F1"
    assert drawn.instruments["F1"] == ("F1", "PM")
    assert drawn.beside("PM") == ("F1",)
    assert drawn.feeders == {"M1": ("F1",)}


def test_two_meters_below_a_breaker_are_circuits_of_their_own() -> None:
    drawn = topology(M1, meter("P1", fed_from="M1"), meter("P2", fed_from="M1"))
    assert drawn.feeders == {"M1": ("P1", "P2")}


def test_the_map_decides_what_a_meter_measures() -> None:
    drawn = topology(M1, F1, meter("P1", measures="F1"), meter("P2", measures="F1"))
    assert drawn.instruments["F1"] == ("F1", "P1", "P2")


def test_a_meter_that_feeds_is_a_circuit() -> None:
    drawn = topology(M1, meter("PM", fed_from="M1"), {"tag": "F1", "fed_from": "PM"})
    assert drawn.circuit_of["PM"] == "PM"
    assert drawn.feeders == {"M1": ("PM",), "PM": ("F1",)}


def test_the_lone_breaker_between_two_mains_is_the_tie() -> None:
    assert topology(M1, M2, F1, F2, {"tag": "T"}).ties == (Tie(tag="T", joins=("M1", "M2")),)


def test_two_lone_breakers_join_nobody_knows_what() -> None:
    ties = topology(M1, M2, F1, F2, {"tag": "T"}, {"tag": "G"}).ties
    assert [tie.joins for tie in ties] == [(), ()]


def test_the_map_names_the_tie() -> None:
    drawn = topology(M1, M2, F1, F2, {"tag": "T", "joins": ["M1", "M2"]}, {"tag": "SPARE"})
    assert drawn.ties == (Tie(tag="T", joins=("M1", "M2")),)


def test_an_open_tie_parts_the_buses() -> None:
    zones = topology(M1, M2, F1, F2, {"tag": "T"}).zones({"T": Stand.OPEN})
    assert [(zone.sources, zone.circuits) for zone in zones] == [(("M1",), ("F1",)), (("M2",), ("F2",))]
    assert not any(zone.doubt for zone in zones)


def test_a_closed_tie_joins_them() -> None:
    (zone,) = topology(M1, M2, F1, F2, {"tag": "T"}).zones({"T": Stand.CLOSED})
    assert (zone.sources, zone.circuits) == (("M1", "M2"), ("F1", "F2"))


def test_an_unknown_tie_leaves_both_in_doubt() -> None:
    zones = topology(M1, M2, F1, F2, {"tag": "T"}).zones({})
    assert {zone.doubt for zone in zones} == {"it is not known how T stands"}


def test_a_closed_breaker_of_unknown_buses_leaves_all_in_doubt() -> None:
    zones = topology(M1, M2, F1, F2, {"tag": "T"}, {"tag": "G"}).zones({"T": Stand.CLOSED, "G": Stand.OPEN})
    assert all("does not say which buses it joins" in zone.doubt for zone in zones)


def test_a_bus_below_a_feeder_is_a_zone_of_its_own() -> None:
    zones = topology(M1, F1, {"tag": "S1", "fed_from": "F1"}).zones({})
    assert [(zone.sources, zone.circuits) for zone in zones] == [(("M1",), ("F1",)), (("F1",), ("S1",))]


def test_meters_that_name_each_other_end_somewhere() -> None:
    drawn = topology(meter("P1", measures="P2"), meter("P2", measures="P1"))
    assert set(drawn.circuit_of) == {"P1", "P2"}
