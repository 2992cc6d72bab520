"""Preflight: what is wrong with the ways to the gear, told before a device is touched (N6, N7, N8)."""

from __future__ import annotations

import ipaddress

from probe.collect.preflight import Adapter, Preflight, Way, judge_ways, local_address, own_adapters


def adapter(name: str, address: str, **facts: bool) -> Adapter:
    """An adapter with ``192.0.2.10/24`` and the like."""
    interface = ipaddress.ip_interface(address)
    return Adapter(name=name, address=interface.ip, network=interface.network, **facts)


def judged(host: str, local: str | None, *adapters: Adapter) -> Preflight:
    """What is said of one host reached from that address of ours."""
    way = Way(host=ipaddress.ip_address(host), local=ipaddress.ip_address(local) if local else None)
    return judge_ways([way], adapters)


WIRE = adapter("eth0", "192.0.2.10/24")


def test_a_good_way_is_named_without_a_word_of_caution() -> None:
    found = judged("192.0.2.21", "192.0.2.10", WIRE)
    assert found.lines == ("eth0, 192.0.2.10, to 1 host",)
    assert not found.cautions
    assert not found.stops


def test_no_way_at_all_stops_with_the_sentence_that_mends_it() -> None:
    found = judged("198.51.100.5", None, WIRE)
    (stop,) = found.stops
    assert "198.51.100.5" in stop.what
    assert stop.found == "eth0 192.0.2.10/24"
    assert "give the wired adapter a free address in that subnet" in stop.remedy


def test_one_host_without_a_way_does_not_stop_the_others() -> None:
    ways = [
        Way(host=ipaddress.ip_address("192.0.2.21"), local=WIRE.address),
        Way(host=ipaddress.ip_address("198.51.100.5"), local=None),
    ]
    found = judge_ways(ways, [WIRE])
    assert not found.stops
    assert found.cautions[0].startswith("No way to 198.51.100.5")


def test_wire_and_wireless_in_one_subnet_are_told() -> None:
    found = judged("192.0.2.21", "192.0.2.10", WIRE, adapter("wlan0", "192.0.2.77/24", wireless=True))
    (caution,) = found.cautions
    assert caution.startswith("eth0 and wlan0 are both in the subnet of 192.0.2.21")


def test_an_adapter_that_is_down_counts_for_nothing() -> None:
    found = judged("192.0.2.21", "192.0.2.10", WIRE, adapter("eth1", "192.0.2.77/24", up=False))
    assert not found.cautions


def test_a_tunnel_on_the_way_is_told_once() -> None:
    found = judged("10.8.4.4", "10.8.0.2", WIRE, adapter("tun0", "10.8.0.2/24", tunnel=True))
    (caution,) = found.cautions
    assert "through tun0, which looks like a tunnel (VPN)" in caution


def test_a_router_on_the_way_is_told() -> None:
    found = judged("198.51.100.5", "192.0.2.10", WIRE)
    assert found.cautions[0].startswith("198.51.100.5 lies in no subnet of this computer")


def test_adapters_unknown_means_no_judgement() -> None:
    assert not judged("192.0.2.21", "192.0.2.10").cautions


def test_this_computer_has_loopback_and_reaches_it_from_itself() -> None:
    assert any(adapter.address.is_loopback for adapter in own_adapters())
    loopback = ipaddress.ip_address("127.0.0.1")
    assert local_address(loopback) == loopback
