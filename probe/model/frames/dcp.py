"""PROFINET DCP: stations tell name, address, mask and type; one frame asks them all.

::

    frame id 2 | service 1 | type 1 | xid 4 | reserved or response delay 2 | data length 2 | blocks
    block: option 1 | suboption 1 | length 2 | [block info 2] | value | pad to even

    FEFC hello, FEFE identify request, FEFF identify response; option 1 suboption 2: IP parameters,
    option 2: device (1 type, 2 name of station, 3 ids, 4 role)

Source: IEC 61158-6-10, DCP (from memory; held against scapy's layer in tests).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from typing import NamedTuple

from probe.model.frames.ethernet import PROFINET, FrameError, encode
from probe.model.frames.wording import words

#: Where identify requests go, so that only stations listen. Source: IEC 61158-6-10 (from memory).
ALL_STATIONS = "01:0e:cf:00:00:00"
HELLO, GET_SET, IDENTIFY_REQUEST, IDENTIFY_RESPONSE = 0xFEFC, 0xFEFD, 0xFEFE, 0xFEFF
_IDENTIFY, _HELLO_SERVICE = 5, 6
_ROLES = ("device", "controller", "multi device", "supervisor")


class Dcp(NamedTuple):
    """One DCP frame. kind: "hello", "identify request", "identify response" or "get or set".

    name: of the station, empty if it has none. address, mask, router: empty where not told; 0.0.0.0 for a
    station without. maker, device: numbers, 0 where not told. address_state: "none", "set", "by DHCP".
    conflict: the station itself has seen another one with its address.
    """

    kind: str
    xid: int
    name: str = ""
    sort: str = ""
    address: str = ""
    mask: str = ""
    router: str = ""
    address_state: str = ""
    conflict: bool = False
    maker: int = 0
    device: int = 0
    roles: tuple[str, ...] = ()


_KINDS = {
    HELLO: "hello",
    GET_SET: "get or set",
    IDENTIFY_REQUEST: "identify request",
    IDENTIFY_RESPONSE: "identify response",
}


def decode(payload: bytes) -> Dcp:
    """The frame behind its EtherType. Raises FrameError if it is cut or other PROFINET traffic."""
    if len(payload) < 12:
        raise FrameError(f"{len(payload)} bytes are no DCP frame")
    frame_id = int.from_bytes(payload[:2])
    kind = _KINDS.get(frame_id)
    if kind is None:
        raise FrameError(f"PROFINET frame {frame_id:04x} is no DCP")
    length = int.from_bytes(payload[10:12])
    if len(payload) < 12 + length:
        raise FrameError("a DCP frame is cut")
    facts: dict[str, object] = {}
    if frame_id in (HELLO, IDENTIFY_RESPONSE):
        for option, value in _blocks(payload[12 : 12 + length]):
            _take(facts, option, value)
    return Dcp(kind, int.from_bytes(payload[4:8]), **facts)  # type: ignore[arg-type]


def _blocks(data: bytes) -> Iterator[tuple[tuple[int, int], bytes]]:
    """Option and value of each block; values begin with the two bytes of block info."""
    at = 0
    while at + 4 <= len(data):
        length = int.from_bytes(data[at + 2 : at + 4])
        if at + 4 + length > len(data):
            raise FrameError("a DCP block is cut")
        yield (data[at], data[at + 1]), data[at + 4 : at + 4 + length]
        at += 4 + length + length % 2


def _take(facts: dict[str, object], option: tuple[int, int], value: bytes) -> None:
    """Put one block into the facts; what is too short is left out."""
    info, body = value[:2], value[2:]
    if option == (1, 2) and len(body) >= 12:
        numbers = (str(ipaddress.IPv4Address(body[at : at + 4])) for at in (0, 4, 8))
        facts["address"], facts["mask"], facts["router"] = numbers
        facts["address_state"] = ("none", "set", "by DHCP", "unknown")[info[1] & 3]
        facts["conflict"] = bool(info[1] & 0x80)
    elif option == (2, 1):
        facts["sort"] = words(body)
    elif option == (2, 2):
        facts["name"] = words(body)
    elif option == (2, 3) and len(body) >= 4:
        facts["maker"], facts["device"] = int.from_bytes(body[:2]), int.from_bytes(body[2:4])
    elif option == (2, 4) and body:
        facts["roles"] = tuple(word for bit, word in enumerate(_ROLES) if body[0] >> bit & 1)


def identify_request(hardware_address: str, xid: int, delay: int = 50) -> bytes:
    """A frame that asks all stations who they are. delay: they answer within so many times 10 ms.

    Source: IEC 61158-6-10 (from memory; read back by scapy in tests).
    """
    block = bytes((0xFF, 0xFF, 0, 0))  # all selector, no value
    head = IDENTIFY_REQUEST.to_bytes(2) + bytes((_IDENTIFY, 0)) + xid.to_bytes(4) + delay.to_bytes(2)
    return encode(ALL_STATIONS, hardware_address, PROFINET, head + len(block).to_bytes(2) + block)
