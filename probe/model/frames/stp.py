"""Spanning tree: which bridge is the root, through which port it speaks, whether the tree has changed.

::

    42 42 03 | protocol 2 (0) | version 1 | type 1 | flags 1 | root 8 | cost 4 | bridge 8 | port 2
             | message age 2 | max age 2 | hello 2 | forward delay 2   (times in 1/256 s)
    type 00 configuration, 80 topology change notification (nothing follows), 02 RST and MST

Source: IEEE 802.1D, 9.3 (from memory; held against the Linux kernel's bridge in the laboratory).
"""

from __future__ import annotations

from typing import NamedTuple

from probe.model.frames.ethernet import FrameError, hardware

BRIDGES = "01:80:c2:00:00:00"
_LLC = b"\x42\x42\x03"
_CONFIGURATION, _RAPID, _NOTIFICATION = 0x00, 0x02, 0x80
_ROLES = ("unknown", "alternate or backup", "root", "designated")


class Bridge(NamedTuple):
    """A bridge's identity: the smaller, the sooner root. system_id: VLAN or instance in the lower bits."""

    priority: int
    system_id: int
    hardware_address: str

    def __str__(self) -> str:
        """As bridges print it: ``32768.02:00:5e:10:00:01``."""
        return f"{self.priority + self.system_id}.{self.hardware_address}"


class Bpdu(NamedTuple):
    """One message of a bridge. kind: "configuration", "rapid", "notification" or "multiple".

    role: of the sending port, empty where the version does not tell. Times in seconds.
    """

    kind: str
    topology_change: bool = False
    acknowledged: bool = False
    proposal: bool = False
    role: str = ""
    root: Bridge | None = None
    cost: int = 0
    bridge: Bridge | None = None
    port: int = 0
    age_s: float = 0.0
    max_age_s: float = 0.0
    hello_s: float = 0.0
    forward_delay_s: float = 0.0
    agreement: bool = False


def decode(payload: bytes) -> Bpdu:
    """The message behind its LLC header. Raises FrameError if it is cut or no spanning tree."""
    if payload[:3] != _LLC or payload[3:5] != b"\0\0" or len(payload) < 7:
        raise FrameError("no spanning tree message")
    version, kind = payload[5], payload[6]
    if kind == _NOTIFICATION:
        return Bpdu("notification", topology_change=True)
    if kind not in (_CONFIGURATION, _RAPID):
        raise FrameError(f"spanning tree message of type {kind:02x}")
    if len(payload) < 3 + 35:
        raise FrameError(f"a spanning tree message of {len(payload) - 3} bytes is cut")
    flags, body = payload[7], payload[8:]
    rapid = kind == _RAPID
    times = [int.from_bytes(body[at : at + 2]) / 256 for at in (22, 24, 26, 28)]
    return Bpdu(
        kind="configuration" if not rapid else "rapid" if version < 3 else "multiple",
        topology_change=bool(flags & 0x01),
        acknowledged=bool(flags & 0x80),
        proposal=rapid and bool(flags & 0x02),
        role=_ROLES[flags >> 2 & 3] if rapid else "",
        root=_bridge(body[:8]),
        cost=int.from_bytes(body[8:12]),
        bridge=_bridge(body[12:20]),
        port=int.from_bytes(body[20:22]),
        age_s=times[0],
        max_age_s=times[1],
        hello_s=times[2],
        forward_delay_s=times[3],
        agreement=rapid and bool(flags & 0x40),
    )


def _bridge(data: bytes) -> Bridge:
    head = int.from_bytes(data[:2])
    return Bridge(head & 0xF000, head & 0x0FFF, hardware(data[2:8]))


def times_fit(bpdu: Bpdu) -> bool:
    """True if the timers keep the standard's rule, so that old messages die before ports open.

    2 x (forward delay - 1 s) >= max age >= 2 x (hello + 1 s). Source: IEEE 802.1D, 8.10.2 (from memory).
    """
    return 2 * (bpdu.forward_delay_s - 1) >= bpdu.max_age_s >= 2 * (bpdu.hello_s + 1)
