"""The ground of a survey: which interface, which addresses of the map, which ranges beside them. Pure.

Ranges are IPv4 only: a subnet of IPv6 cannot be asked address by address.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from probe.collect.preflight import numeric_hosts
from probe.model.address_range import AddressRange, address_range
from probe.model.device_map import DeviceMap
from probe.model.errors import InputError, Problem
from probe.model.network_evidence import OwnInterface

Host = ipaddress.IPv4Address
#: More addresses than this are asked only if the user says the range himself, and never above the last one.
USUAL_RANGE, LARGEST_RANGE = 1_024, 65_536


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Where a survey takes place. known: tag by IPv4 address of the map. own: this computer's addresses.

    interface: name, empty if none is in a subnet of the map. address: ours there, with its prefix length;
    empty without one. spared: addresses of devices that the user left out; nothing is ever asked of them.
    """

    interface: str
    address: str
    hardware_address: str
    known: dict[str, str]
    own: frozenset[str]
    ranges: tuple[AddressRange, ...]
    spared: frozenset[str] = frozenset()

    @property
    def asked(self) -> tuple[str, ...]:
        """All addresses to be asked, in rising order, without our own.

        They are those of the ranges, and those of the map that are on this wire by our own mask: others are
        behind a router, and nobody here would answer for them.
        """
        found = {int(Host(host)) for host in self.known if self._is_near(host)}
        for first, last in self.ranges:
            found.update(range(int(first), int(last) + 1))
        return tuple(
            host for host in map(str, map(Host, sorted(found))) if host not in self.own | self.spared
        )

    @property
    def own_address(self) -> str:
        """Our address without its prefix length."""
        return self.address.partition("/")[0]

    def _is_near(self, host: str) -> bool:
        return not self.address or Host(host) in ipaddress.IPv4Interface(self.address).network

    def is_stranger(self, address: str) -> bool:
        """True for an address in a confirmed range that neither the map nor this computer has."""
        if address in self.known or address in self.own or address in self.spared:
            return False
        host = Host(address)
        return any(one.holds(host) for one in self.ranges)


def known_hosts(lineup_map: DeviceMap, tags: Iterable[str]) -> dict[str, str]:
    """First tag by IPv4 address, for devices of these tags that have a numeric one of their own."""
    found: dict[str, str] = {}
    for tag in tags:
        try:
            address = ipaddress.ip_address(lineup_map.target(tag).host)
        except ValueError:  # a name, or a serial line
            continue
        if address.version == 4 and not address.is_loopback:
            found.setdefault(str(address), tag)
    return found


def hosts_of(lineup_map: DeviceMap) -> tuple[str, ...]:
    """What tells in which subnets the lineup is: numeric addresses of devices, else one of each network."""
    found = [str(host) for host in numeric_hosts(lineup_map, list(lineup_map.by_tag)) if not host.is_loopback]
    return tuple(found) or tuple(str(next(iter(net.subnet.hosts()))) for net in lineup_map.networks)


def interface_for(
    hosts: Sequence[str], interfaces: Sequence[OwnInterface], wanted: str = ""
) -> OwnInterface | None:
    """The interface whose subnet holds most of the hosts, or the wanted one; None if there is none.

    Raises InputError if the wanted one does not exist.
    """
    if wanted:
        same = [one for one in interfaces if one.name == wanted]
        if not same:
            raise InputError([_no_interface(wanted, interfaces)])
        return max(same, key=lambda one: _held(one, hosts))
    able = [one for one in interfaces if one.up and one.sort not in ("loopback", "tunnel")]
    best = max(able, key=lambda one: (_held(one, hosts), one.sort == "wired"), default=None)
    return best if best is not None and _held(best, hosts) else None


def _no_interface(wanted: str, interfaces: Sequence[OwnInterface]) -> Problem:
    names = dict.fromkeys(one.name for one in interfaces)
    return Problem(
        file="--interface",
        what="this computer has no such interface",
        found=wanted,
        allowed=", ".join(names) or "none that the system shows",
        remedy="give one of these names",
    )


def _held(interface: OwnInterface, hosts: Iterable[str]) -> int:
    """How many of the hosts lie in the interface's subnet."""
    if not interface.address:
        return 0
    network = ipaddress.ip_interface(interface.address).network
    return sum(ipaddress.ip_address(host) in network for host in hosts)


def parse_range(text: str) -> AddressRange:
    """The range that somebody typed. Raises InputError for none, and for one too large to be asked."""
    try:
        found = address_range(text)
    except ValueError as error:
        raise InputError([_bad_range(text, str(error))]) from None
    if found.size > LARGEST_RANGE:
        raise InputError([_bad_range(text, "it is too large")])
    return found


def _bad_range(text: str, why: str) -> Problem:
    return Problem(
        file="--range",
        what=f"this is no range of addresses: {why}",
        found=text,
        allowed=f"a subnet as 10.20.1.0/24, or 10.20.1.10-10.20.1.40; at most {LARGEST_RANGE} addresses",
        remedy="give the range as the drawings have it",
    )


def offered_ranges(lineup_map: DeviceMap, interface: OwnInterface | None) -> Iterator[ipaddress.IPv4Network]:
    """Subnets of the map on this interface that are small enough to be asked without further thought."""
    if interface is None or not interface.address:
        return
    own = ipaddress.ip_interface(interface.address).network
    for network in lineup_map.networks:
        subnet = network.subnet
        if not isinstance(subnet, ipaddress.IPv4Network) or own.version != 4:
            continue
        if subnet.num_addresses <= USUAL_RANGE and subnet.overlaps(own):
            yield subnet
