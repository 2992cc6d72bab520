"""Frames, cut by code of the simulation's own (never by the code under test).

Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (header); MODBUS over Serial Line
V1.02, 2.5.1.2 and 6.2.2 (checksum); MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4, 6.21.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

#: Functions that only read (2B: with 0E, device identification).
READS = (1, 2, 3, 4, 0x2B)


class Frame(NamedTuple):
    """A whole request. head: transaction id, 0 for RTU."""

    head: int
    unit: int
    pdu: bytes


def is_read(pdu: bytes) -> bool:
    """True for the five requests that only read."""
    return (pdu[0] in (1, 2, 3, 4) and len(pdu) == 5) or (pdu[:2] == b"\x2b\x0e" and len(pdu) == 4)


def cut_mbap(data: bytes) -> Frame | None:
    """The one request that the bytes are; None if they are anything else."""
    if len(data) < 8:
        return None
    head, protocol, length, unit = struct.unpack(">HHHB", data[:7])
    return Frame(head, unit, data[7:]) if not protocol and length == len(data) - 6 else None


def cut_rtu(data: bytes) -> Frame | None:
    """As ``cut_mbap``, for a serial frame."""
    if len(data) < 4 or checksum(data[:-2]) != data[-2:]:
        return None
    return Frame(0, data[0], data[1:-2])


def mbap(head: int, unit: int, pdu: bytes) -> bytes:
    """A Modbus TCP frame."""
    return struct.pack(">HHHB", head & 0xFFFF, 0, len(pdu) + 1, unit) + pdu


def rtu(unit: int, pdu: bytes) -> bytes:
    """A serial frame."""
    body = bytes([unit]) + pdu
    return body + checksum(body)


def checksum(data: bytes) -> bytes:
    """CRC-16 of the serial line, low byte first, bit by bit as 6.2.2 describes it."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return struct.pack("<H", crc)
