"""Ethernet header: addresses, VLAN tags, EtherType or length; also of Linux cooked frames."""

from __future__ import annotations

from typing import NamedTuple

_TAGS = frozenset({0x8100, 0x88A8, 0x9100, 0x9200})
#: Nested tags beyond this are nobody's network.
_DEEPEST = 8


class EthernetFrame(NamedTuple):
    """type: EtherType, or the length of an 802.3 frame (at most 1500). vlans: outermost first."""

    target: str
    source: str
    type: int
    vlans: tuple[int, ...]
    payload: bytes


def hardware_text(address: bytes) -> str:
    """``02:00:5e:10:00:01``."""
    return address.hex(":")


def decode_ethernet(frame: bytes) -> EthernetFrame | None:
    """The frame taken apart, None if it is too short. Source: IEEE 802.3 and 802.1Q (from memory)."""
    if len(frame) < 14:
        return None
    target, source = hardware_text(frame[:6]), hardware_text(frame[6:12])
    return _behind_tags(target, source, frame, 12)


def decode_cooked(frame: bytes, *, second: bool) -> EthernetFrame | None:
    """A Linux cooked frame (LINKTYPE_LINUX_SLL, or SLL2 if ``second``); it names no target."""
    size = 20 if second else 16
    if len(frame) < size:
        return None
    source = hardware_text(frame[12:18] if second else frame[6:12])
    if second:  # the protocol stands first: put it where the tags are looked for
        return _behind_tags("", source, frame[:2] + frame[20:], 0)
    return _behind_tags("", source, frame, 14)


def _behind_tags(target: str, source: str, frame: bytes, at: int) -> EthernetFrame | None:
    kind = int.from_bytes(frame[at : at + 2], "big")
    vlans: list[int] = []
    at += 2
    while kind in _TAGS:
        if len(frame) < at + 4 or len(vlans) == _DEEPEST:
            return None
        vlans.append(int.from_bytes(frame[at : at + 2], "big") & 0xFFF)
        kind = int.from_bytes(frame[at + 2 : at + 4], "big")
        at += 4
    return EthernetFrame(target, source, kind, tuple(vlans), frame[at:])
