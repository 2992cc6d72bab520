"""LLDP: who stands at the other end of the cable, and behind which of its ports.

::

    type 7 bits, length 9 bits | value      and so on, until type 0
    1 chassis  2 port  3 time to live  4 port description  5 name  6 description
    7 capabilities  8 management address  127 organisation's own: 3 bytes of OUI, 1 subtype, value

Source: IEEE 802.1AB, 8.2 and 8.5 (clauses as open-source network stacks quote them); capabilities and the
subtypes of chassis and port from memory; 802.3 MAC/PHY status (00-12-0F, 1) from memory.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from typing import NamedTuple

from probe.model.frames.ethernet import FrameError, hardware
from probe.model.frames.wording import words

#: Where neighbours talk; bridges do not pass it on. Source: IEEE 802.1AB (as open-source stacks quote it).
NEAREST_BRIDGE = "01:80:c2:00:00:0e"

_END, _CHASSIS, _PORT, _TTL, _PORT_TEXT, _NAME, _TEXT, _ABLE, _MANAGED, _OWN = (*range(9), 127)
_HARDWARE_CHASSIS, _HARDWARE_PORT = 4, 3
_NETWORK_CHASSIS, _NETWORK_PORT = 5, 4
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
_802_3, _802_1 = b"\x00\x12\x0f", b"\x00\x80\xc2"
#: Operational MAU types: name and duplex; the few that a cabinet has. Source: RFC 4836 (from memory).
_MAU = {
    10: ("10BASE-T", "half"),
    11: ("10BASE-T", "full"),
    15: ("100BASE-TX", "half"),
    16: ("100BASE-TX", "full"),
    17: ("100BASE-FX", "half"),
    18: ("100BASE-FX", "full"),
    22: ("1000BASE-X", "full"),
    24: ("1000BASE-LX", "full"),
    26: ("1000BASE-SX", "full"),
    29: ("1000BASE-T", "half"),
    30: ("1000BASE-T", "full"),
}


class Lldp(NamedTuple):
    """What a neighbour says of itself. Texts are as it wrote them, cleaned of what a terminal would obey.

    chassis, port: a hardware or network address as text where the subtype says so, else its text.
    lifetime_s: 0 when it takes its leave. able: words of what it does. autonegotiated: None if not told.
    vlan: of its port, 0 if not told.
    """

    chassis: str
    port: str
    lifetime_s: int
    chassis_is_hardware: bool = False
    port_is_hardware: bool = False
    port_description: str = ""
    name: str = ""
    description: str = ""
    able: tuple[str, ...] = ()
    managed_at: tuple[str, ...] = ()
    medium: str = ""
    duplex: str = ""
    autonegotiated: bool | None = None
    vlan: int = 0


def decode(payload: bytes) -> Lldp:
    """The neighbour. Raises FrameError if the three mandatory parts are not there in order, or a part is cut.

    Source: IEEE 802.1AB, 8.2 (order; as open-source stacks quote it).
    """
    parts = list(_parts(payload))
    if [kind for kind, _ in parts[:3]] != [_CHASSIS, _PORT, _TTL] or len(parts[2][1]) < 2:
        raise FrameError("LLDP without chassis, port and time to live in this order")
    chassis, port = (_identity(value) for _, value in parts[:2])
    facts: dict[str, object] = {}
    for kind, value in parts[3:]:
        _take(facts, kind, value)
    return Lldp(
        chassis=chassis,
        port=port,
        lifetime_s=int.from_bytes(parts[2][1][:2]),
        chassis_is_hardware=parts[0][1][0] == _HARDWARE_CHASSIS,
        port_is_hardware=parts[1][1][0] == _HARDWARE_PORT,
        **facts,  # type: ignore[arg-type]
    )


def _parts(payload: bytes) -> Iterator[tuple[int, bytes]]:
    """Type and value of each part up to the end mark, or to the end of the bytes."""
    at = 0
    while at + 2 <= len(payload):
        head = int.from_bytes(payload[at : at + 2])
        kind, length = head >> 9, head & 0x1FF
        if kind == _END:
            return
        if at + 2 + length > len(payload):
            raise FrameError(f"an LLDP part of {length} bytes is cut")
        yield kind, payload[at + 2 : at + 2 + length]
        at += 2 + length


def _identity(value: bytes) -> str:
    """Chassis or port: both have 4 and 3 for hardware addresses, 5 and 4 for network addresses."""
    if len(value) < 2:
        raise FrameError("LLDP chassis or port without a name")
    subtype, name = value[0], value[1:]
    if subtype in (_HARDWARE_CHASSIS, _HARDWARE_PORT) and len(name) == 6:
        return hardware(name)
    if subtype in (_NETWORK_CHASSIS, _NETWORK_PORT):
        found = _network_address(name)
        if found:
            return found
    return words(name)


def _network_address(name: bytes) -> str:
    """An address behind its family number (1 IPv4, 2 IPv6); empty for others."""
    if name[:1] == b"\x01" and len(name) == 5:
        return str(ipaddress.IPv4Address(name[1:]))
    if name[:1] == b"\x02" and len(name) == 17:
        return str(ipaddress.IPv6Address(name[1:]))
    return ""


def _take(facts: dict[str, object], kind: int, value: bytes) -> None:
    """Put one optional part into the facts; what is too short is left out."""
    if kind in (_PORT_TEXT, _NAME, _TEXT):
        facts[{_PORT_TEXT: "port_description", _NAME: "name", _TEXT: "description"}[kind]] = words(value)
    elif kind == _ABLE and len(value) >= 4:
        enabled = int.from_bytes(value[2:4])
        facts["able"] = tuple(word for bit, word in enumerate(_CAPABILITIES) if enabled >> bit & 1)
    elif kind == _MANAGED and value and len(value) > value[0] >= 1:
        found = _network_address(value[1 : 1 + value[0]])
        if found:
            facts["managed_at"] = (*facts.get("managed_at", ()), found)  # type: ignore[misc]
    elif kind == _OWN and value[:4] == _802_3 + b"\x01" and len(value) >= 9:
        facts["autonegotiated"] = value[4] & 3 == 3
        facts["medium"], facts["duplex"] = _MAU.get(int.from_bytes(value[7:9]), ("", ""))
    elif kind == _OWN and value[:4] == _802_1 + b"\x01" and len(value) >= 6:
        facts["vlan"] = int.from_bytes(value[4:6])
