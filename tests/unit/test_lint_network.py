"""Subnets, held against the standard library's own list of hosts."""

from __future__ import annotations

import ipaddress

import pytest

from probe.model.lint_network import reserved


@pytest.mark.parametrize(
    "subnet", ["10.20.1.0/24", "10.20.1.64/27", "10.20.1.8/30", "10.20.1.8/31", "10.20.1.9/32"]
)
def test_reserved_addresses_are_those_that_are_no_hosts(subnet: str) -> None:
    """Outside check: ``ipaddress`` of the Python standard library, ``IPv4Network.hosts``."""
    network = ipaddress.ip_network(subnet)
    hosts = set(network.hosts())
    for address in network:
        assert (reserved(network, address) == "") == (address in hosts)


def test_which_one_it_is() -> None:
    network = ipaddress.ip_network("10.20.1.0/24")
    assert reserved(network, ipaddress.ip_address("10.20.1.0")) == "the network address"
    assert reserved(network, ipaddress.ip_address("10.20.1.255")) == "the broadcast address"


def test_ipv6_has_no_broadcast() -> None:
    network = ipaddress.ip_network("fd00::/120")
    assert reserved(network, ipaddress.ip_address("fd00::ff")) == ""
    assert reserved(network, ipaddress.ip_address("fd00::")) == "the routers' anycast address"
