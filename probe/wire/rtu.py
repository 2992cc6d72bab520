"""RTU framing, on a serial line or tunnelled in TCP: checksum, build, measure; no socket, no asyncio.

    | unit | PDU ... | CRC lo | CRC hi |

A frame carries no length of its own: it follows from function and byte count. Both that length and the
checksum must be right (a prefix of a frame can have a valid checksum by chance, 1 in 65,536 positions).
Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, 2.5.1, 6.2.2.
"""

from __future__ import annotations

from probe.model.pdu import EXCEPTION_BIT, READ_DEVICE_ID, READ_LIMITS

SMALLEST = 4  # unit, function, checksum
LARGEST = 256
_ECHOES = {5, 6, 15, 16}  # replies of the write functions: 8 bytes; we never ask, but know one when we see it


def _crc_table() -> tuple[int, ...]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1  # noqa: PLW2901  a shift register
        table.append(value)
    return tuple(table)


_TABLE = _crc_table()


def crc16(data: bytes) -> int:
    """The checksum of the data; it is sent low byte first. Over data and its checksum it is 0.

    Preset FFFF, polynomial 1 + x^2 + x^15 + x^16 reflected (A001).
    Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, 6.2.2.
    """
    register = 0xFFFF
    table = _TABLE
    for byte in data:
        register = register >> 8 ^ table[(register ^ byte) & 0xFF]
    return register


def build(unit: int, pdu: bytes) -> bytes:
    """A whole frame. unit: 0..255 (a serial line knows 1..247); pdu: 1..253 bytes."""
    if not 1 <= len(pdu) <= 253:
        raise ValueError(f"a PDU has 1 to 253 bytes, not {len(pdu)}")
    frame = bytes((unit,)) + pdu
    return frame + crc16(frame).to_bytes(2, "little")


def is_whole(frame: bytes) -> bool:
    """True if the bytes are as long as a frame may be and their checksum is right."""
    return SMALLEST <= len(frame) <= LARGEST and crc16(frame) == 0


def reply_size(data: bytes | bytearray) -> int:
    """Bytes that the reply frame takes, 0 while too few have come or for a function we cannot measure."""
    if len(data) < 3:
        return 0
    function = data[1]
    if function & EXCEPTION_BIT:
        return 5
    if function in READ_LIMITS:
        return 5 + data[2]
    if function in _ECHOES:
        return 8
    if (function, data[2]) == READ_DEVICE_ID:
        return _identification_size(data)
    return 0


def is_measurable(data: bytes | bytearray) -> bool:
    """True unless the bytes name a function whose reply has no length that we know."""
    if len(data) < 2:
        return True
    function = data[1]
    if function & EXCEPTION_BIT or function in READ_LIMITS or function in _ECHOES:
        return True
    return function == READ_DEVICE_ID[0] and (len(data) < 3 or data[2] == READ_DEVICE_ID[1])


def _identification_size(data: bytes | bytearray) -> int:
    """As reply_size for Read Device Identification: its objects are walked, each with its length.

    | unit | 2B | 0E | code | conformity | more | next | number | n x ( id | length | value ) | CRC |
    """
    if len(data) < 8:
        return 0
    at = 8
    for _ in range(data[7]):
        if len(data) < at + 2:
            return 0
        at += 2 + data[at + 1]
    return at + 2
