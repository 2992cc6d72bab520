"""LLDP: who a neighbour says it is.

Source: IEEE 802.1AB (from memory): chassis, port and time to live come first and in this order; a type of 7
bits and a length of 9 bits stand before each value.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from typing import NamedTuple

from probe.wire.frames.ethernet import hardware_text
from probe.wire.frames.text import station_text

_END, _CHASSIS, _PORT, _LIFE, _PORT_WORDS, _NAME, _WORDS, _CAN, _MANAGEMENT = range(9)
_ORGANISATION = 127
#: Bits of system capabilities by their number.
_CAPABILITIES = (
    "other",
    "repeater",
    "bridge",
    "access point",
    "router",
    "telephone",
    "cable modem",
    "station",
)


class LldpFrame(NamedTuple):
    """life_s: how long what it says holds; 0: the neighbour goes. vlan: 0 where none is told.

    frame_size: longest frame of the port, 0 where not told. whole: False where the frame ended inside a value
    or one of the three that must be there was missing.
    """

    chassis: str
    port: str
    life_s: int
    name: str
    words: str
    port_words: str
    can: tuple[str, ...]
    addresses: tuple[str, ...]
    vlan: int
    whole: bool


def decode_lldp(payload: bytes) -> LldpFrame:
    """What the frame says; payload: behind the EtherType."""
    values: dict[int, bytes] = {}
    addresses: list[str] = []
    vlan, order, ended = 0, [], False
    for kind, value in _values(payload):
        if kind == -1:
            break
        ended = kind == _END
        order.append(kind)
        values.setdefault(kind, value)
        if kind == _MANAGEMENT and len(addresses) < 8:
            addresses += _address(value)
        if kind == _ORGANISATION and value[:4] == b"\x00\x80\xc2\x01" and len(value) >= 6:
            vlan = int.from_bytes(value[4:6], "big")
    return LldpFrame(
        chassis=_identity(values.get(_CHASSIS, b""), hardware=4, network=5),
        port=_identity(values.get(_PORT, b""), hardware=3, network=4),
        life_s=int.from_bytes(values.get(_LIFE, b"")[:2], "big"),
        name=station_text(values.get(_NAME, b"")),
        words=station_text(values.get(_WORDS, b"")),
        port_words=station_text(values.get(_PORT_WORDS, b"")),
        can=_abilities(values.get(_CAN, b"")),
        addresses=tuple(addresses),
        vlan=vlan,
        whole=ended and order[:3] == [_CHASSIS, _PORT, _LIFE],
    )


def _values(payload: bytes) -> Iterator[tuple[int, bytes]]:
    """Types with their values up to the end mark; -1 where the frame ends inside one."""
    at = 0
    while at + 2 <= len(payload):
        head = int.from_bytes(payload[at : at + 2], "big")
        kind, size = head >> 9, head & 0x1FF
        value = payload[at + 2 : at + 2 + size]
        if len(value) < size:
            yield -1, b""
            return
        yield kind, value
        if kind == _END:
            return
        at += 2 + size


def _identity(value: bytes, *, hardware: int, network: int) -> str:
    """A chassis or port as text: by its subtype a hardware address, an IP address or words."""
    if len(value) < 2:
        return ""
    kind, rest = value[0], value[1:]
    if kind == hardware and len(rest) == 6:
        return hardware_text(rest)
    if kind == network and (found := _ip(rest[0], rest[1:])):
        return found
    return station_text(rest)


def _ip(family: int, data: bytes) -> str:
    """An IP address of this family (1: version 4, 2: version 6), "" for any other."""
    if (family, len(data)) not in ((1, 4), (2, 16)):
        return ""
    return str(ipaddress.ip_address(data))


def _address(value: bytes) -> list[str]:
    if len(value) < 2 or value[0] < 2 or len(value) < 1 + value[0]:
        return []
    found = _ip(value[1], value[2 : 1 + value[0]])
    return [found] if found else []


def _abilities(value: bytes) -> tuple[str, ...]:
    """What the system says is switched on."""
    on = int.from_bytes(value[2:4], "big") if len(value) >= 4 else 0
    return tuple(word for number, word in enumerate(_CAPABILITIES) if on >> number & 1)
