"""Spanning tree: what a bridge says of root, cost and change.

Source: IEEE 802.1D and 802.1Q (from memory): protocol, version, type; flags, root, cost, bridge, port, times
in 1/256 s. A topology change notice has four bytes only.
"""

from __future__ import annotations

from typing import NamedTuple

from probe.wire.frames.ethernet import hardware_text

#: Types of BPDU.
CONFIGURATION, RAPID, NOTICE = 0x00, 0x02, 0x80
_ROLES = ("unknown", "alternate or backup", "root", "designated")


class Bpdu(NamedTuple):
    """version: 0 STP, 2 RSTP, 3 MSTP. root, bridge: ``priority/hardware address``; "" in a notice.

    change, acknowledged, proposal, agreement: flags. port: number with priority, as it stands on the wire.
    """

    version: int
    kind: int
    root: str
    cost: int
    bridge: str
    port: str
    role: str
    change: bool
    acknowledged: bool
    proposal: bool
    agreement: bool
    hello_s: float
    max_age_s: float
    forward_s: float


def decode_bpdu(payload: bytes) -> Bpdu | None:
    """The BPDU in an 802.3 payload (LLC 42 42 03, or the SNAP form per VLAN), None if it is none."""
    if payload[:3] == b"\x42\x42\x03":
        return _bpdu(payload[3:])
    if payload[:3] == b"\xaa\xaa\x03" and payload[3:8] == b"\x00\x00\x0c\x01\x0b":
        return _bpdu(payload[8:])
    return None


def _bpdu(data: bytes) -> Bpdu | None:
    if len(data) < 4 or data[:2] != b"\0\0":
        return None
    version, kind = data[2], data[3]
    if kind == NOTICE:
        return Bpdu(version, kind, "", 0, "", "", "", True, False, False, False, 0, 0, 0)
    if len(data) < 35 or kind not in (CONFIGURATION, RAPID):
        return None
    flags = data[4]
    return Bpdu(
        version=version,
        kind=kind,
        root=_bridge(data[5:13]),
        cost=int.from_bytes(data[13:17], "big"),
        bridge=_bridge(data[17:25]),
        port=f"{int.from_bytes(data[25:27], 'big'):04x}",
        role=_ROLES[flags >> 2 & 3] if kind == RAPID else "",
        change=bool(flags & 0x01),
        acknowledged=bool(flags & 0x80),
        proposal=kind == RAPID and bool(flags & 0x02),
        agreement=kind == RAPID and bool(flags & 0x40),
        hello_s=int.from_bytes(data[31:33], "big") / 256,
        max_age_s=int.from_bytes(data[29:31], "big") / 256,
        forward_s=int.from_bytes(data[33:35], "big") / 256,
    )


def _bridge(data: bytes) -> str:
    return f"{int.from_bytes(data[:2], 'big')}/{hardware_text(data[2:8])}"
