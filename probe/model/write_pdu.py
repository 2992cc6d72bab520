"""Modbus PDU codec for writing registers: used for one thing only, setting a device's clock.

    06  | 06 | address hi lo | value hi lo |                      reply: the request again
    16  | 10 | address hi lo | count hi lo | byte count | ... |   reply: function, address, count
    exception | function + 80h | code |

Nothing is sent from here; what may leave this computer is decided in ``wire.clock_write``.
Source: MODBUS Application Protocol Specification V1.1b3, 6.6, 6.12, 7.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from probe.model.evidence import Outcome

WRITE_ONE, WRITE_MANY = 6, 16
MOST_REGISTERS = 123  # 6.12
EXCEPTION_BIT = 0x80

_ONE = struct.Struct(">BHH")
_MANY = struct.Struct(">BHHB")


class WriteSpan(NamedTuple):
    """What a write request writes: function, first PDU address (zero-based), registers high byte first."""

    function: int
    start: int
    data: bytes

    @property
    def registers(self) -> int:
        """How many registers."""
        return len(self.data) // 2


def write_requests(function: int, start: int, data: bytes) -> tuple[bytes, ...]:
    """The requests that write the registers: one with function 16, one a register with function 6.

    start: PDU address, 0..65535. data: two bytes a register.
    Raises ValueError for another function or registers that the standard does not allow.
    """
    count = len(data) // 2
    if not data or len(data) % 2 or count > MOST_REGISTERS or not 0 <= start <= 65_536 - count:
        raise ValueError(f"{len(data)} bytes from address {start} cannot be written")
    if function == WRITE_MANY:
        return (_MANY.pack(function, start, count, len(data)) + data,)
    if function == WRITE_ONE:
        words = struct.unpack(f">{count}H", data)
        return tuple(_ONE.pack(function, start + i, word) for i, word in enumerate(words))
    raise ValueError(f"function {function} is none of 6 and 16")


def write_span(request_pdu: bytes) -> WriteSpan:
    """What the request writes. Raises ValueError if it is no well-formed write of registers."""
    if len(request_pdu) == _ONE.size and request_pdu[0] == WRITE_ONE:
        return WriteSpan(WRITE_ONE, int.from_bytes(request_pdu[1:3], "big"), request_pdu[3:])
    if len(request_pdu) > _MANY.size and request_pdu[0] == WRITE_MANY:
        _, start, count, size = _MANY.unpack_from(request_pdu)
        data = request_pdu[_MANY.size :]
        if size == len(data) == 2 * count and count <= MOST_REGISTERS and start + count <= 65_536:
            return WriteSpan(WRITE_MANY, start, data)
    raise ValueError(f"not a write of registers: {request_pdu[:16].hex(' ')}")


def is_write(request_pdu: bytes) -> bool:
    """True for functions 6 and 16."""
    return request_pdu[:1] in (bytes((WRITE_ONE,)), bytes((WRITE_MANY,)))


def check_write_reply(request_pdu: bytes, reply_pdu: bytes) -> tuple[Outcome, int]:
    """What the reply is to a write, and the exception code; DATA when it repeats what was asked."""
    function = request_pdu[0]
    if not reply_pdu:
        return Outcome.SHORT, 0
    if reply_pdu[0] == function | EXCEPTION_BIT:
        if len(reply_pdu) == 2:
            return Outcome.EXCEPTION, reply_pdu[1]
        return (Outcome.SHORT if len(reply_pdu) < 2 else Outcome.LONG), 0
    if reply_pdu[0] != function:
        return Outcome.WRONG_FUNCTION, 0
    if len(reply_pdu) != _ONE.size:
        return (Outcome.SHORT if len(reply_pdu) < _ONE.size else Outcome.LONG), 0
    return (Outcome.DATA if reply_pdu == request_pdu[: _ONE.size] else Outcome.ODD), 0


def write_reply(request_pdu: bytes) -> bytes:
    """The reply of a server that took the write."""
    return request_pdu[: _ONE.size]
