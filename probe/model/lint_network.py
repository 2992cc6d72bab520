"""Lint of IP subnets: hosts inside them, routers inside them, none on top of another."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator

from probe.model.device_map import Device, Network
from probe.model.errors import Problem
from probe.model.map_draft import Draft, Placed
from probe.model.nearest import listed
from probe.model.surroundings import Surroundings

Subnet = ipaddress.IPv4Network | ipaddress.IPv6Network
Host = ipaddress.IPv4Address | ipaddress.IPv6Address


def reserved(subnet: Subnet, address: Host) -> str:
    """Why a device in the subnet cannot have the address: its network or broadcast address; "" if it can.

    From memory: RFC 950 (host numbers of all zeros and all ones), RFC 3021 (31-bit prefixes have neither),
    RFC 4291 (Subnet-Router anycast address).
    """
    if subnet.num_addresses <= 2:
        return ""
    if address == subnet.network_address:
        return "the network address" if subnet.version == 4 else "the routers' anycast address"
    if subnet.version == 4 and address == subnet.broadcast_address:
        return "the broadcast address"
    return ""


def host_in_subnet(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A device outside every subnet, or on a network, broadcast or router address."""
    if not draft.networks:
        return
    for placed in draft.devices:
        address = _address(placed.item)
        if address is None:
            continue
        homes = [network for network in draft.networks if address in network.item.subnet]
        if not homes:
            yield placed.problem(
                ("address", "host"),
                f"{placed.item.tag} stands outside every subnet of this lineup",
                found=str(address),
                allowed=listed(str(network.item.subnet) for network in draft.networks),
                remedy="correct the address, or add its subnet under networks",
            )
        for network in homes:
            yield from _on_reserved(placed, address, network.item)


def _address(device: Device) -> Host | None:
    try:
        return ipaddress.ip_address(device.address.host or "")
    except ValueError:
        return None


def _on_reserved(placed: Placed[Device], address: Host, network: Network) -> Iterator[Problem]:
    taken = reserved(network.subnet, address)
    if not taken and address == network.router:
        taken = "the router's address"
    if taken:
        yield placed.problem(
            ("address", "host"),
            f"{placed.item.tag} has {taken} of network {network.name}",
            found=str(address),
            allowed=f"another address of {network.subnet}",
            remedy="read the address off the device",
        )


def router_in_subnet(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A router outside its own subnet, or on an address that no host can have."""
    for placed in draft.networks:
        network = placed.item
        if network.router is None:
            continue
        if network.router not in network.subnet:
            what = f"the router of network {network.name} stands outside its subnet"
        elif reserved(network.subnet, network.router):
            what = f"the router of network {network.name} has {reserved(network.subnet, network.router)}"
        else:
            continue
        allowed = f"an address of {network.subnet}"
        yield placed.problem(("router",), what, found=str(network.router), allowed=allowed)


def subnet_size(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A subnet of a single address: the prefix length was forgotten."""
    for placed in draft.networks:
        if placed.item.subnet.num_addresses == 1:
            address = placed.item.subnet.network_address
            yield placed.problem(
                ("subnet",),
                f"network {placed.item.name} holds one single address",
                found=str(placed.document.value((*placed.path, "subnet"))),
                allowed="a subnet such as 10.20.1.0/24",
                remedy=f"add the prefix length, as {address}/24",
            )


def overlapping_subnets(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """Two subnets that share addresses: an error if equal, a warning if one lies in the other."""
    for i, placed in enumerate(draft.networks):
        for other in draft.networks[:i]:
            one, two = placed.item.subnet, other.item.subnet
            if one.version != two.version or not one.overlaps(two):
                continue
            yield placed.problem(
                ("subnet",),
                f"networks {placed.item.name} and {other.item.name} share addresses",
                found=f"{one}; {two} at {other.place(('subnet',))}",
                allowed="each address in one subnet",
                remedy="correct the prefix length: a computer in one would not find hosts of the other",
                severity="error" if one == two else "warning",
            )


def duplicate_network_name(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """One name for two networks."""
    first: dict[str, Placed[Network]] = {}
    for placed in draft.networks:
        other = first.setdefault(placed.item.name, placed)
        if other is not placed:
            what = f"two networks are called {placed.item.name}"
            found = f"{placed.item.name}, also at {other.place(('name',))}"
            yield placed.problem(("name",), what, found=found, remedy="rename one of the two")


NETWORK_RULES = (
    host_in_subnet,
    router_in_subnet,
    subnet_size,
    overlapping_subnets,
    duplicate_network_name,
)
