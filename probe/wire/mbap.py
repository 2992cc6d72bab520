"""Modbus TCP framing: build and measure frames; no socket, no asyncio.

    | transaction hi lo | protocol 00 00 | length hi lo | unit | PDU ... |
                                           length counts unit and PDU: 2..254

Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3.
"""

from __future__ import annotations

import struct

HEADER = struct.Struct(">HHHB")
SMALLEST = 8  # header and a PDU of one byte
LARGEST = 260  # header and a PDU of 253 bytes


def build(transaction: int, unit: int, pdu: bytes) -> bytes:
    """A whole frame. transaction: 0..65535; unit: 0..255; pdu: 1..253 bytes."""
    if not 1 <= len(pdu) <= 253:
        raise ValueError(f"a PDU has 1 to 253 bytes, not {len(pdu)}")
    return HEADER.pack(transaction, 0, 1 + len(pdu), unit) + pdu


def transaction_of(frame: bytes | bytearray) -> int:
    """The transaction id of a frame of at least two bytes."""
    return frame[0] << 8 | frame[1]


def is_out_of_step(data: bytes | bytearray) -> bool:
    """True once the first bytes cannot begin a frame: protocol id not 0, or length not 2..254."""
    if len(data) >= 4 and (data[2] or data[3]):
        return True
    return len(data) >= 6 and not 2 <= (data[4] << 8 | data[5]) <= 254


def size(data: bytes | bytearray) -> int:
    """Bytes that the first frame takes, 0 while too few have come to know."""
    return 6 + (data[4] << 8 | data[5]) if len(data) >= 6 else 0
