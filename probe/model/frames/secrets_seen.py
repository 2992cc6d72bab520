"""Passwords and community names in the clear: that they were there, never what they were.

Only the few protocols that cabinets still speak. Source: RFC 1157, 4 and RFC 1901, 3 (community in SNMP 1 and
2c), RFC 959, 4.1.1 (FTP PASS), RFC 7617, 2 (HTTP Basic), RFC 854 (Telnet); clauses from memory.
"""

from __future__ import annotations

import re
from typing import NamedTuple

_SNMP_PORTS = (161, 162)
_DEFAULT_NAMES = (b"public", b"private")
_BASIC = re.compile(rb"^authorization:[ \t]*basic[ \t]", re.IGNORECASE | re.MULTILINE)
_LOGIN = re.compile(rb"(pass(word|code)?|login)\s*:\s*$", re.IGNORECASE)


class Secret(NamedTuple):
    """What was in the clear. what: "community name" or "password". default: a name of every new device."""

    protocol: str
    what: str
    default: bool = False


def in_udp(source: int, destination: int, payload: bytes) -> Secret | None:
    """The secret of a datagram: a community name of SNMP version 1 or 2c."""
    if not {source, destination} & set(_SNMP_PORTS):
        return None
    name = _community(payload)
    return None if not name else Secret("SNMP", "community name", default=name in _DEFAULT_NAMES)


def _community(payload: bytes) -> bytes:
    """The community name of an SNMP message of version 1 or 2c; empty for anything else.

    BER: sequence, integer version (0 or 1), octet string.
    """
    if payload[:1] != b"\x30" or len(payload) < 8:
        return b""
    at = 2 if payload[1] < 0x80 else 2 + (payload[1] & 0x7F)
    if payload[at : at + 2] != b"\x02\x01" or payload[at + 2 : at + 3] not in (b"\x00", b"\x01"):
        return b""
    if payload[at + 3 : at + 4] != b"\x04" or len(payload) < at + 5:
        return b""
    length = payload[at + 4]
    return payload[at + 5 : at + 5 + length] if length < 0x80 else b""


def in_tcp(source: int, destination: int, payload: bytes) -> Secret | None:
    """The secret of a segment: an FTP or Telnet login, an HTTP Basic authorisation."""
    if 21 in (source, destination) and payload[:5].upper() == b"PASS ":
        return Secret("FTP", "password")
    if source == 23 and _LOGIN.search(payload[-64:]):
        return Secret("Telnet", "password")  # the question: what is typed next goes in the clear
    if payload[:5] in (b"GET /", b"POST ", b"PUT /", b"HEAD ") and _BASIC.search(payload[:4096]):
        return Secret("HTTP", "password")
    return None
