"""Ethernet frames: addresses, VLAN tags and what is inside.

::

    destination 6 | source 6 | [8100 tag 2]... | type or length 2 | payload

Source: IEEE 802.3 (frame, from memory: a length below 1536, then LLC of 802.2), IEEE 802.1Q (tags 8100 and
88A8, from memory).
"""

from __future__ import annotations

import re
from typing import NamedTuple

BROADCAST = "ff:ff:ff:ff:ff:ff"
NOBODY = "00:00:00:00:00:00"

IPV4, ARP, IPV6 = 0x0800, 0x0806, 0x86DD
PROFINET, LLDP, PTP = 0x8892, 0x88CC, 0x88F7

_TAGS = (0x8100, 0x88A8)
#: More tags than this are no network but an attack (common practice, no source).
_MOST_TAGS = 3
_LEAST_TYPE = 0x0600
#: Redundant routers share addresses of these beginnings on purpose. Source: RFC 5798, 7.3 (from memory).
VIRTUAL_ROUTER = ("00:00:5e:00:01:", "00:00:5e:00:02:")


class FrameError(ValueError):
    """Bytes that are not what they claim to be; the text says why."""


class Ethernet(NamedTuple):
    """One frame. ethertype: 0 for a frame with a length, whose payload then begins with its LLC header."""

    destination: str
    source: str
    vlans: tuple[int, ...]
    ethertype: int
    payload: bytes

    @property
    def is_for_many(self) -> bool:
        """True for broadcast and multicast."""
        return is_group(self.destination)


def decode(data: bytes) -> Ethernet:
    """The frame. Raises FrameError if it is cut before its payload.

    data: without preamble; a checksum at the end counts as payload.
    """
    if len(data) < 14:
        raise FrameError(f"{len(data)} bytes are no frame")
    vlans: list[int] = []
    at = 12
    while (kind := int.from_bytes(data[at : at + 2])) in _TAGS:
        if len(data) < at + 6 or len(vlans) == _MOST_TAGS:
            raise FrameError("a VLAN tag without a frame behind it")
        vlans.append(int.from_bytes(data[at + 2 : at + 4]) & 0x0FFF)
        at += 4
    payload = data[at + 2 :]
    if kind < _LEAST_TYPE:
        kind, payload = 0, payload[:kind]
    return Ethernet(hardware(data[:6]), hardware(data[6:12]), tuple(vlans), kind, payload)


def hardware(data: bytes) -> str:
    """A hardware address as text, ``02:00:5e:10:00:01``."""
    return data.hex(":")


def octets(address: str) -> bytes:
    """The bytes of a hardware address. Raises ValueError if it is none."""
    if not re.fullmatch(r"[0-9a-f]{2}(:[0-9a-f]{2}){5}", address):
        raise ValueError(f"{address!r} is no hardware address")
    return bytes.fromhex(address.replace(":", ""))


def is_group(address: str) -> bool:
    """True for the addresses of many: the last bit of the first byte. Source: IEEE 802.3 (from memory)."""
    return bool(int(address[:2], 16) & 1)


def is_virtual_router(address: str) -> bool:
    """True for an address that redundant routers share on purpose."""
    return address.startswith(VIRTUAL_ROUTER)


def encode(destination: str, source: str, ethertype: int, payload: bytes) -> bytes:
    """A frame padded to 60 bytes, the least without checksum. Source: IEEE 802.3 (from memory)."""
    frame = octets(destination) + octets(source) + ethertype.to_bytes(2) + payload
    return frame.ljust(60, b"\0")
