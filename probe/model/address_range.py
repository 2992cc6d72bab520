"""Ranges of IPv4 addresses as people write them: ``10.20.1.0/24`` or ``10.20.1.10-10.20.1.40``."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Network
from typing import NamedTuple


class AddressRange(NamedTuple):
    """First and last address, both included."""

    first: IPv4Address
    last: IPv4Address

    @property
    def size(self) -> int:
        """How many addresses it holds."""
        return int(self.last) - int(self.first) + 1

    def holds(self, address: IPv4Address) -> bool:
        """True for an address inside."""
        return self.first <= address <= self.last


def address_range(text: str) -> AddressRange:
    """The range; of a subnet its hosts, without network and broadcast address.

    Raises ValueError for what is no range, or one whose last address lies below its first.
    """
    first, dash, last = text.partition("-")
    if dash:
        found = AddressRange(IPv4Address(first.strip()), IPv4Address(last.strip()))
        if found.size < 1:
            raise ValueError("its last address lies below its first")
        return found
    network = IPv4Network(text.strip())
    if network.num_addresses > 2:
        return AddressRange(network[1], network[-2])
    return AddressRange(network[0], network[-1])
