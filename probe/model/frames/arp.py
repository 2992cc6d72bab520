"""ARP: who has which IPv4 address, and who else thinks so.

::

    htype 2 | ptype 2 | hlen 1 | plen 1 | operation 2 | sender hw 6, ip 4 | target hw 6, ip 4

Source: RFC 826 (packet format); RFC 5227, 1.1 (probe, announcement; from memory).
"""

from __future__ import annotations

import ipaddress
from typing import NamedTuple

from probe.model.frames.ethernet import ARP, BROADCAST, NOBODY, FrameError, encode, hardware, octets

REQUEST, REPLY = 1, 2
_HEAD = bytes.fromhex("0001080006 04".replace(" ", ""))
_NONE = "0.0.0.0"


class Arp(NamedTuple):
    """One ARP packet for IPv4 on Ethernet."""

    operation: int
    sender_hardware: str
    sender: str
    target_hardware: str
    target: str

    @property
    def is_probe(self) -> bool:
        """Asks whether an address is free before taking it. Source: RFC 5227, 1.1 (from memory)."""
        return self.operation == REQUEST and self.sender == _NONE

    @property
    def is_announcement(self) -> bool:
        """Tells everybody that it uses its own address. Source: RFC 5227, 1.1 (from memory)."""
        return self.sender == self.target and self.sender != _NONE

    @property
    def claims(self) -> str:
        """The address that the sender says is its own; empty for none."""
        return "" if self.sender == _NONE else self.sender


def decode(payload: bytes) -> Arp:
    """The packet. Raises FrameError if it is cut or not IPv4 on Ethernet."""
    if len(payload) < 28:
        raise FrameError(f"{len(payload)} bytes are no ARP packet")
    if payload[:6] != _HEAD:
        raise FrameError(f"ARP for other addresses: {payload[:6].hex()}")
    operation = int.from_bytes(payload[6:8])
    if operation not in (REQUEST, REPLY):
        raise FrameError(f"ARP operation {operation}")
    return Arp(
        operation,
        hardware(payload[8:14]),
        str(ipaddress.IPv4Address(payload[14:18])),
        hardware(payload[18:24]),
        str(ipaddress.IPv4Address(payload[24:28])),
    )


def request(hardware_address: str, own: str, target: str) -> bytes:
    """A frame that asks everybody who has ``target``. own: our address, 0.0.0.0 for a probe.

    Source: RFC 826; RFC 5227, 2.1.1 (target hardware address of all zeros; from memory).
    """
    packet = _HEAD + REQUEST.to_bytes(2) + octets(hardware_address) + ipaddress.IPv4Address(own).packed
    packet += octets(NOBODY) + ipaddress.IPv4Address(target).packed
    return encode(BROADCAST, hardware_address, ARP, packet)
