"""Which interface, which addresses, which ranges; and how ranges are written."""

from __future__ import annotations

import pytest

from probe.collect.survey.ground import Ground, interface_for, parse_range
from probe.collect.survey.sweep import runs_of
from probe.model.errors import InputError
from probe.model.network_evidence import OwnInterface
from probe.wire.interfaces import parse_routes


def interface(name: str, address: str, sort: str = "wired", *, up: bool = True) -> OwnInterface:
    return OwnInterface(0, name, address, "02:00:5e:10:00:09", up, 1000, "full", sort, False)


WIRE, WIFI = interface("eth0", "10.20.1.9/24"), interface("wlan0", "10.20.1.10/24", "wireless")
ELSEWHERE, TUNNEL = interface("eth1", "192.0.2.5/24"), interface("tun0", "10.20.0.1/16", "tunnel")
HOSTS = ["10.20.1.11", "10.20.1.12"]


@pytest.mark.parametrize(
    ("there", "wanted", "chosen"),
    [
        ([ELSEWHERE, WIRE], "", "eth0"),
        ([WIFI, WIRE], "", "eth0"),  # the wire goes before Wi-Fi
        ([TUNNEL, WIRE], "", "eth0"),
        ([TUNNEL], "", None),
        ([ELSEWHERE], "", None),
        ([interface("eth0", "10.20.1.9/24", up=False)], "", None),
        ([WIRE, ELSEWHERE], "eth1", "eth1"),
        ([interface("eth2", "")], "eth2", "eth2"),
        ([], "", None),
    ],
)
def test_the_interface_in_the_maps_subnet(there: list[OwnInterface], wanted: str, chosen: str | None) -> None:
    found = interface_for(HOSTS, there, wanted)
    assert (found.name if found else None) == chosen


def test_an_interface_that_does_not_exist_names_those_that_do() -> None:
    with pytest.raises(InputError) as caught:
        interface_for(HOSTS, [WIRE, ELSEWHERE], "eth7")
    assert caught.value.problems[0].allowed == "eth0, eth1"


@pytest.mark.parametrize(
    ("text", "first", "last", "size"),
    [
        ("10.20.1.0/24", "10.20.1.1", "10.20.1.254", 254),
        ("10.20.1.10-10.20.1.40", "10.20.1.10", "10.20.1.40", 31),
        ("10.20.1.4/31", "10.20.1.4", "10.20.1.5", 2),  # RFC 3021 (from memory): both are hosts
        ("10.20.1.7/32", "10.20.1.7", "10.20.1.7", 1),
        (" 10.20.1.7 - 10.20.1.7 ", "10.20.1.7", "10.20.1.7", 1),
    ],
)
def test_ranges(text: str, first: str, last: str, size: int) -> None:
    found = parse_range(text)
    assert (str(found.first), str(found.last), found.size) == (first, last, size)


@pytest.mark.parametrize(
    "text",
    ["10.20.1.40-10.20.1.10", "10.20.1.5/24", "10.0.0.0/8", "fd00::/64", "x", "", "10.20.1.1-", "1-2-3"],
)
def test_what_is_no_range_is_refused_with_the_form(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_range(text)
    problem = caught.value.problems[0]
    assert problem.found == text
    assert "10.20.1.0/24" in problem.allowed


def test_what_is_asked_is_asked_once_in_order_and_never_ourselves() -> None:
    ground = Ground(
        interface="eth0",
        address="10.20.1.9/24",
        hardware_address="",
        known={"10.20.1.20": "F2", "10.20.1.8": "F1", "10.20.2.8": "behind the router"},
        own=frozenset({"10.20.1.9"}),
        spared=frozenset({"10.20.1.21"}),
        ranges=(
            parse_range("10.20.1.7-10.20.1.10"),
            parse_range("10.20.1.10-10.20.1.11"),
            parse_range("10.20.1.20-10.20.1.21"),
        ),
    )
    asked = ["10.20.1.7", "10.20.1.8", "10.20.1.10", "10.20.1.11", "10.20.1.20"]
    assert list(ground.asked) == asked
    assert runs_of(ground.asked) == [asked[:2], asked[2:4], asked[4:]]
    others = ("10.20.1.9", "10.20.1.21", "10.20.1.30")
    strangers = [host for host in (*asked, *others) if ground.is_stranger(host)]
    assert strangers == ["10.20.1.7", "10.20.1.10", "10.20.1.11"]


def test_routes_of_the_kernel() -> None:
    """/proc/net/route as a Linux machine printed it (addresses changed): lowest byte first."""
    text = (
        "Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT\n"
        "eth0\t00000000\t010114AC\t0003\t0\t0\t100\t00000000\t0\t0\t0\n"
        "eth0\t0001140A\t00000000\t0001\t0\t0\t0\t00FFFFFF\t0\t0\t0\n"
        "eth1\t0002140A\t00000000\t0000\t0\t0\t0\t00FFFFFF\t0\t0\t0\n"
        "broken line\n"
    )
    found = [(r.destination, r.router, r.interface, r.metric) for r in parse_routes(text, 0)]
    assert found == [("0.0.0.0/0", "172.20.1.1", "eth0", 100), ("10.20.1.0/24", "", "eth0", 0)]
