"""Announcements to everybody: IPv6 routers, time by NTP broadcast and PTP, addresses by DHCP.

Source: RFC 4861, 4.2 and 4.6.2 (router advertisement); RFC 5905, 7.3 (NTP header); IEEE 1588, 13.3 and 13.5
(PTP header and announce); RFC 2131, 2 and RFC 2132, 9.6 (DHCP); clauses from memory.
"""

from __future__ import annotations

import ipaddress
from typing import NamedTuple

from probe.model.frames.ethernet import FrameError

NTP_PORT = 123
PTP_PORTS = (319, 320)
DHCP_SERVER_PORT, DHCP_CLIENT_PORT = 67, 68
_ADVERTISEMENT = 134
_PREFIX_OPTION = 3
_ANNOUNCE = 0x0B
_BROADCAST_MODE = 5
_COOKIE = bytes.fromhex("63825363")
_ANSWERS = {2: "offer", 5: "acknowledgement", 6: "refusal"}


class RouterAdvertisement(NamedTuple):
    """A router of IPv6 offers itself. lifetime_s: 0 if only its prefixes are meant."""

    lifetime_s: int
    managed: bool
    prefixes: tuple[str, ...]


class NtpBroadcast(NamedTuple):
    """A time server tells everybody the time. leap: 3 for "not synchronised". reference: as raw text."""

    leap: int
    stratum: int
    version: int


class PtpAnnounce(NamedTuple):
    """A PTP clock offers itself as master. Smaller numbers are better."""

    domain: int
    grandmaster: str
    priority1: int
    clock_class: int
    priority2: int
    steps: int


class DhcpAnswer(NamedTuple):
    """A DHCP server gives out an address. kind: "offer", "acknowledgement" or "refusal"."""

    kind: str
    server: str
    given: str
    client: str


def router(payload: bytes) -> RouterAdvertisement:
    """The advertisement in an ICMPv6 payload. Raises FrameError for other messages or if cut."""
    if len(payload) < 16 or payload[0] != _ADVERTISEMENT:
        raise FrameError("no router advertisement")
    prefixes, at = [], 16
    while at + 2 <= len(payload):
        kind, length = payload[at], payload[at + 1] * 8
        if not length or at + length > len(payload):
            raise FrameError("an option of a router advertisement is cut")
        if kind == _PREFIX_OPTION and length >= 32 and payload[at + 2] <= 128:
            prefix = ipaddress.IPv6Address(payload[at + 16 : at + 32])
            prefixes.append(f"{prefix}/{payload[at + 2]}")
        at += length
    return RouterAdvertisement(int.from_bytes(payload[6:8]), bool(payload[5] & 0x80), tuple(prefixes))


def ntp(payload: bytes) -> NtpBroadcast:
    """The time announcement in a UDP payload. Raises FrameError for other NTP messages or if cut."""
    if len(payload) < 48 or payload[0] & 7 != _BROADCAST_MODE:
        raise FrameError("no NTP broadcast")
    return NtpBroadcast(payload[0] >> 6, payload[1], payload[0] >> 3 & 7)


def ptp(payload: bytes) -> PtpAnnounce:
    """The announce message, from Ethernet or UDP. Raises FrameError for other messages or if cut."""
    if len(payload) < 64 or payload[0] & 15 != _ANNOUNCE or payload[1] & 15 != 2:
        raise FrameError("no PTP announce message")
    return PtpAnnounce(
        domain=payload[4],
        grandmaster=payload[53:61].hex(":"),
        priority1=payload[47],
        clock_class=payload[48],
        priority2=payload[52],
        steps=int.from_bytes(payload[61:63]),
    )


def dhcp(payload: bytes) -> DhcpAnswer:
    """What a server gives, in a UDP payload. Raises FrameError for what clients say or if cut."""
    if len(payload) < 244 or payload[0] != 2 or payload[236:240] != _COOKIE:
        raise FrameError("no answer of a DHCP server")
    kind, server, at = 0, "", 240
    while at + 2 <= len(payload) and payload[at] != 255:
        if payload[at] == 0:
            at += 1
            continue
        option, value = payload[at], payload[at + 2 : at + 2 + payload[at + 1]]
        if option == 53 and value:
            kind = value[0]
        elif option == 54 and len(value) == 4:
            server = str(ipaddress.IPv4Address(value))
        at += 2 + payload[at + 1]
    if kind not in _ANSWERS:
        raise FrameError(f"DHCP message of type {kind}")
    given = str(ipaddress.IPv4Address(payload[16:20]))
    return DhcpAnswer(_ANSWERS[kind], server, given, payload[28:34].hex(":"))
