"""IPv4, IPv6, UDP and TCP headers: who speaks to whom, and behind which ports.

Source: RFC 791, 3.1; RFC 8200, 3 and 4; RFC 768; RFC 9293, 3.1 (all from memory).
"""

from __future__ import annotations

import ipaddress
from typing import NamedTuple

from probe.model.frames.ethernet import FrameError

ICMP, TCP, UDP, ICMPV6 = 1, 6, 17, 58
#: Extension headers that may stand before the transport's own: hop by hop, routing, destination options.
_EXTENSIONS = (0, 43, 60)
_MOST_EXTENSIONS = 8


class Packet(NamedTuple):
    """One IP packet. protocol: number of what is inside; payload starts at it.

    header: octets before the payload. fragment: True for all but the first piece of a packet, whose payload
    then has no ports.
    """

    source: str
    destination: str
    protocol: int
    hops: int
    fragment: bool
    header: int
    payload: bytes


class Ports(NamedTuple):
    """Ports and what is behind the transport's header. header: octets of it. flags: of TCP, 0 for UDP."""

    source: int
    destination: int
    header: int
    payload: bytes
    flags: int = 0


def decode_v4(data: bytes) -> Packet:
    """The packet. Raises FrameError if it is cut or none of version 4."""
    if len(data) < 20 or data[0] >> 4 != 4:
        raise FrameError("no IPv4 header")
    header, total = (data[0] & 15) * 4, int.from_bytes(data[2:4])
    if header < 20 or total < header or len(data) < header:
        raise FrameError("an IPv4 header whose lengths do not fit")
    return Packet(
        str(ipaddress.IPv4Address(data[12:16])),
        str(ipaddress.IPv4Address(data[16:20])),
        data[9],
        data[8],
        bool(int.from_bytes(data[6:8]) & 0x1FFF),
        header,
        data[header:total],
    )


def decode_v6(data: bytes) -> Packet:
    """The packet behind its extension headers. Raises FrameError if it is cut or none of version 6."""
    if len(data) < 40 or data[0] >> 4 != 6:
        raise FrameError("no IPv6 header")
    inside, at, end = data[6], 40, min(len(data), 40 + int.from_bytes(data[4:6]))
    for _ in range(_MOST_EXTENSIONS):
        if inside not in _EXTENSIONS or at + 8 > end:
            break
        inside, at = data[at], at + 8 + 8 * data[at + 1]
    source, destination = (str(ipaddress.IPv6Address(data[i : i + 16])) for i in (8, 24))
    return Packet(source, destination, inside, data[7], inside == 44, at, data[at:end])


def ports(packet: Packet) -> Ports:
    """Ports of a UDP or TCP packet. Raises FrameError for others, for fragments and where they are cut."""
    data = packet.payload
    least = {UDP: 8, TCP: 20}.get(packet.protocol)
    if least is None or packet.fragment or len(data) < least:
        raise FrameError("no UDP or TCP header")
    header = 8 if packet.protocol == UDP else (data[12] >> 4) * 4
    if header < least:
        raise FrameError("a TCP header whose length does not fit")
    flags = data[13] if packet.protocol == TCP else 0
    return Ports(int.from_bytes(data[:2]), int.from_bytes(data[2:4]), header, data[header:], flags)
