"""PROFINET DCP: names and addresses that stations tell, and orders to change them.

Source: IEC 61158-6-10 (from memory): frame id, service id, service type, transaction, delay, length; then
blocks of option, suboption, length, with a two-byte info before the value in answers.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from typing import NamedTuple

from probe.wire.frames.text import station_text

_SERVICES = {3: "get", 4: "set", 5: "identify", 6: "hello"}
_TYPES = {0: "request", 1: "response", 5: "not supported"}


class DcpFrame(NamedTuple):
    """service: ``identify response`` and so on. station, maker_words: "" where not told.

    address: ``192.0.2.6/255.255.255.0 gw 192.0.2.1``, "" where not told. device: maker and device number.
    whole: False where the frame ended inside a block.
    """

    service: str
    transaction: int
    station: str
    maker_words: str
    address: str
    device: str
    whole: bool


def decode_dcp(payload: bytes) -> DcpFrame | None:
    """The DCP frame in a PROFINET payload (behind the EtherType), None if it is none."""
    if len(payload) < 12 or payload[0] != 0xFE or payload[1] < 0xFC:
        return None
    service = f"{_SERVICES.get(payload[2], str(payload[2]))} {_TYPES.get(payload[3], str(payload[3]))}"
    size = int.from_bytes(payload[10:12], "big")
    blocks = payload[12 : 12 + size]
    told: dict[tuple[int, int], bytes] = {}
    whole = len(blocks) == size
    for option, value in _blocks(blocks):
        whole = whole and value is not None
        if value is not None:
            told.setdefault(option, value)
    lead = 2 if service.startswith("set request") or payload[3] == 1 or payload[2] == 6 else 0
    return DcpFrame(
        service=service,
        transaction=int.from_bytes(payload[4:8], "big"),
        station=station_text(told.get((2, 2), b"")[lead:]),
        maker_words=station_text(told.get((2, 1), b"")[lead:]),
        address=_address(told.get((1, 2), b"")[lead:]),
        device=told.get((2, 3), b"")[lead : lead + 4].hex(),
        whole=whole,
    )


def _blocks(data: bytes) -> Iterator[tuple[tuple[int, int], bytes | None]]:
    """Options with their values; None where the data end inside one."""
    at = 0
    while at + 4 <= len(data):
        size = int.from_bytes(data[at + 2 : at + 4], "big")
        value = data[at + 4 : at + 4 + size]
        yield (data[at], data[at + 1]), value if len(value) == size else None
        at += 4 + size + (size & 1)


def _address(value: bytes) -> str:
    if len(value) < 12:
        return ""
    address, mask, gateway = (str(ipaddress.IPv4Address(value[at : at + 4])) for at in (0, 4, 8))
    return f"{address}/{mask} gw {gateway}"
