"""Packets of simulated conversations, for tests and benchmarks of captures: built byte by byte, never sent.

Addresses are of documentation ranges or loopback; checksums are left 0 where nobody looks at them, but the
TCP checksum differs from segment to segment, as it does on a wire.
"""

from __future__ import annotations

import ipaddress
import struct
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from probe.wire.capture.pcapng import ETHERNET, interface_block, packet_block, section_header

MICRO, NANO = 0xA1B2C3D4, 0xA1B23C4D
FIN, SYN, RST, PUSH, ACK = 1, 2, 4, 8, 16


class Packet(NamedTuple):
    """A frame with its instant."""

    wall_ns: int
    data: bytes


def ethernet(source: str, target: str, kind: int, payload: bytes, vlans: Sequence[int] = ()) -> bytes:
    """An Ethernet frame, padded to 60 bytes as on the wire. Source: IEEE 802.3, IEEE 802.1Q (from memory)."""
    tags = b"".join(struct.pack(">HH", 0x8100, vlan) for vlan in vlans)
    frame = _hardware(target) + _hardware(source) + tags + kind.to_bytes(2, "big") + payload
    return frame.ljust(60, b"\0")


def _hardware(text: str) -> bytes:
    return bytes.fromhex(text.replace(":", ""))


def ip4(source: str, target: str, protocol: int, payload: bytes, ident: int = 0) -> bytes:
    """An IPv4 datagram. Source: RFC 791 (from memory)."""
    addresses = ipaddress.ip_address(source).packed + ipaddress.ip_address(target).packed
    head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(payload), ident & 0xFFFF, 0x4000, 64, protocol, 0)
    return head + addresses + payload


def arp(operation: int, sender: tuple[str, str], target: tuple[str, str]) -> bytes:
    """An ARP payload; sender, target: hardware and IP address. Source: RFC 826 (from memory)."""
    parts = [
        part
        for hardware, address in (sender, target)
        for part in (_hardware(hardware), ipaddress.ip_address(address).packed)
    ]
    return struct.pack(">HHBBH", 1, 0x0800, 6, 4, operation) + b"".join(parts)


def modbus(transaction: int, unit: int, pdu: bytes) -> bytes:
    """A Modbus TCP frame. Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3."""
    return struct.pack(">HHHB", transaction & 0xFFFF, 0, len(pdu) + 1, unit) + pdu


@dataclass
class End:
    """One end of a connection. sent: bytes of its stream so far."""

    address: str
    port: int
    hardware: str
    start: int = 1000
    sent: int = 0
    ident: int = 0

    @property
    def next(self) -> int:
        """Sequence number of its next byte."""
        return self.start + self.sent & 0xFFFFFFFF


@dataclass
class Connection:
    """A TCP connection between a Modbus master and a server; makes the frames of what each says."""

    client: End = field(default_factory=lambda: End("192.0.2.10", 40_000, "02:00:5e:10:00:01"))
    server: End = field(default_factory=lambda: End("192.0.2.20", 502, "02:00:5e:10:00:02", start=900_000))
    vlans: tuple[int, ...] = ()

    def say(self, data: bytes, *, by_server: bool, flags: int = PUSH | ACK) -> bytes:
        """The frame that carries the next bytes of one end."""
        one, other = self._ends(by_server)
        frame = self.segment(one.next, other.next, data, by_server=by_server, flags=flags)
        one.sent += len(data) + (1 if flags & (SYN | FIN) else 0)
        return frame

    def segment(self, seq: int, ack: int, data: bytes, *, by_server: bool, flags: int = PUSH | ACK) -> bytes:
        """A frame with any numbers, for what goes wrong on a wire; each has its own IP identification."""
        one, other = self._ends(by_server)
        one.ident += 1
        check = zlib.crc32(struct.pack(">III", seq, ack, one.ident) + data) & 0xFFFF
        head = struct.pack(
            ">HHIIBBHHH",
            one.port,
            other.port,
            seq & 0xFFFFFFFF,
            ack & 0xFFFFFFFF,
            0x50,
            flags,
            8192,
            check,
            0,
        )
        payload = ip4(one.address, other.address, 6, head + data, one.ident)
        return ethernet(one.hardware, other.hardware, 0x0800, payload, self.vlans)

    def _ends(self, by_server: bool) -> tuple[End, End]:
        return (self.server, self.client) if by_server else (self.client, self.server)


def pcap(packets: Iterable[Packet], *, magic: int = MICRO, order: str = "<", link: int = ETHERNET) -> bytes:
    """A classic capture file. order: ``<`` or ``>``; magic: MICRO or NANO (the clock's step)."""
    tick = 1000 if magic == MICRO else 1
    parts = [struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 262_144, link)]
    for wall_ns, data in packets:
        seconds, rest = divmod(wall_ns, 1_000_000_000)
        parts.append(struct.pack(order + "IIII", seconds, rest // tick, len(data), len(data)) + data)
    return b"".join(parts)


def pcapng(packets: Iterable[Packet], *, link: int = ETHERNET) -> bytes:
    """A pcapng file of one section and one interface."""
    head = section_header("simulated", "practice") + interface_block("sim0", link, 262_144)
    return head + b"".join(packet_block(wall_ns, data, len(data)) for wall_ns, data in packets)
