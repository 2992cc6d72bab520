"""Modbus PDU codec for reading: requests, replies and what a reply must be to count as one.

Shared by the wire (which names each reply as it comes) and the judge (which names it again, from the raw
bytes in the record). Decides nothing about transaction ids, units or checksums: those belong to the frame.

    request   | function | start hi lo | count hi lo |            1 bit or register = 1 of count
    reply     | function | byte count n | n bytes |
    exception | function + 80h | code |

Source: MODBUS Application Protocol Specification V1.1b3, 4.1, 6.1 to 6.4, 6.21, 7.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from probe.model.evidence import Framing, Outcome
from probe.model.write_pdu import check_write_reply, is_write

#: Most bits or registers that one request may ask, by function (6.1 to 6.4).
READ_LIMITS = {1: 2000, 2: 2000, 3: 125, 4: 125}
#: Encapsulated interface transport and its one type that we use, Read Device Identification (6.21).
READ_DEVICE_ID = (0x2B, 0x0E)
EXCEPTION_BIT = 0x80

_READ = struct.Struct(">BHH")
_DATA = (Outcome.DATA, 0)
_SHORT = (Outcome.SHORT, 0)
_LONG = (Outcome.LONG, 0)
_ODD = (Outcome.ODD, 0)
_WRONG_FUNCTION = (Outcome.WRONG_FUNCTION, 0)


class ReadSpan(NamedTuple):
    """What a read request asks: function 1 to 4, first PDU address (zero-based), bits or registers."""

    function: int
    start: int
    quantity: int


def read_request(function: int, start: int, count: int) -> bytes:
    """The five bytes of a read request.

    start: PDU address, 0..65535. count: bits (functions 1, 2) or registers (3, 4).
    Raises ValueError outside the standard's limits.
    Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4 (quantity), 4.4 (addresses).
    """
    limit = READ_LIMITS.get(function)
    if limit is None:
        raise ValueError(f"function {function} is not a read function (1 to 4)")
    if not 1 <= count <= limit:
        raise ValueError(f"count {count} is not 1 to {limit} for function {function}")
    if not 0 <= start <= 65_536 - count:
        raise ValueError(f"start {start} with count {count} does not lie in 0 to 65535")
    return _READ.pack(function, start, count)


def identification_request(code: int = 1, object_id: int = 0) -> bytes:
    """The four bytes of a Read Device Identification request.

    code: 1 basic, 2 regular, 3 extended (each a stream from object_id), 4 the one object.
    Raises ValueError for other codes or an object id that is no byte.
    Source: MODBUS Application Protocol Specification V1.1b3, 6.21.
    """
    if not 1 <= code <= 4 or not 0 <= object_id <= 255:
        raise ValueError(f"no identification request for code {code}, object {object_id}")
    return bytes((*READ_DEVICE_ID, code, object_id))


def read_span(request_pdu: bytes) -> ReadSpan:
    """What the read request asks. Raises ValueError if it is none."""
    if len(request_pdu) != 5 or request_pdu[0] not in READ_LIMITS:
        raise ValueError(f"not a read request: {request_pdu.hex(' ')}")
    return ReadSpan._make(_READ.unpack(request_pdu))


def data_size(request_pdu: bytes) -> int:
    """Bytes of data that the answer to a read request must carry; ValueError if it is none."""
    function, _, count = read_span(request_pdu)
    return 2 * count if function >= 3 else (count + 7) // 8


def payload(reply_pdu: bytes) -> bytes:
    """The data of an accepted reply to a read request: registers high byte first, or packed bits."""
    return reply_pdu[2:]


def check_reply(request_pdu: bytes, reply_pdu: bytes) -> tuple[Outcome, int]:
    """What the reply is to the request, and the exception code (0 unless the outcome is EXCEPTION).

    DATA and EXCEPTION only when function, byte count and length all agree with what was asked.
    Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4, 6.21, 7.
    """
    function = request_pdu[0]
    if not reply_pdu:
        return _SHORT
    if reply_pdu[0] == function and not is_write(request_pdu):
        if function == READ_DEVICE_ID[0]:
            return _check_identification(reply_pdu)
        return _check_read(request_pdu, reply_pdu)
    if is_write(request_pdu):
        return check_write_reply(request_pdu, reply_pdu)
    if reply_pdu[0] != function | EXCEPTION_BIT:
        return _WRONG_FUNCTION
    if len(reply_pdu) == 2:
        return Outcome.EXCEPTION, reply_pdu[1]
    return _SHORT if len(reply_pdu) < 2 else _LONG


def _check_read(request_pdu: bytes, reply_pdu: bytes) -> tuple[Outcome, int]:
    wanted = data_size(request_pdu)
    present = len(reply_pdu) - 2
    if present < 0:
        return _SHORT
    said = reply_pdu[1]
    if said == present == wanted:
        return _DATA
    if said != present or (said % 2 and request_pdu[0] >= 3):
        return _ODD
    return _SHORT if present < wanted else _LONG


def _check_identification(reply_pdu: bytes) -> tuple[Outcome, int]:
    if len(reply_pdu) >= 2 and reply_pdu[1] != READ_DEVICE_ID[1]:
        return _WRONG_FUNCTION
    return identification(reply_pdu).outcome, 0


class Identification(NamedTuple):
    """A reply to Read Device Identification, as far as it can be read.

    outcome: DATA; SHORT when an object is longer than the frame or one is missing; LONG when bytes follow
    the last object. objects: (id, value) in the order sent, those that are whole, also of a faulty reply.
    more_follows: the rest must be asked for from next_object.
    """

    outcome: Outcome
    conformity: int
    more_follows: bool
    next_object: int
    objects: tuple[tuple[int, bytes], ...]


_NO_IDENTIFICATION = Identification(Outcome.SHORT, 0, more_follows=False, next_object=0, objects=())


def identification(reply_pdu: bytes) -> Identification:
    """The objects of a Read Device Identification reply; never raises.

        | 2B | 0E | code | conformity | more 00/FF | next id | number n | n x ( id | length | value ) |

    While more follows, fewer objects than the stated number are accepted: the standard's own example states
    03 in a fragment that lists two, so devices exist that state the total.
    Source: MODBUS Application Protocol Specification V1.1b3, 6.21 (with the errors of its example).
    """
    if len(reply_pdu) < 7 or (reply_pdu[0], reply_pdu[1]) != READ_DEVICE_ID:
        return _NO_IDENTIFICATION
    conformity, more, next_object, number = reply_pdu[3:7]
    objects, rest, whole = _objects(reply_pdu[7:], number)
    if rest:
        outcome = Outcome.LONG if whole and len(objects) == number else Outcome.SHORT
    else:
        outcome = Outcome.DATA if whole and (len(objects) == number or more) else Outcome.SHORT
    return Identification(outcome, conformity, more != 0, next_object, tuple(objects))


def _objects(data: bytes, number: int) -> tuple[list[tuple[int, bytes]], bytes, bool]:
    """At most number objects from the start of data, what is left, and whether none was cut."""
    objects: list[tuple[int, bytes]] = []
    while data and len(objects) < number:
        if len(data) < 2 or len(data) < 2 + data[1]:
            return objects, data, False
        objects.append((data[0], data[2 : 2 + data[1]]))
        data = data[2 + data[1] :]
    return objects, data, True


def following_request(request_pdu: bytes, reply_pdu: bytes) -> bytes | None:
    """The request for the rest of an identification, None when nothing more is to be had.

    Guard: a device whose next object does not lie above all that it has listed and above the one asked
    would lead in a circle; it is not followed (``leads_back`` tells this case).
    """
    reply = identification(reply_pdu)
    if not reply.more_follows or reply.outcome is not Outcome.DATA or leads_back(request_pdu, reply):
        return None
    return identification_request(request_pdu[2], reply.next_object)


def leads_back(request_pdu: bytes, reply: Identification) -> bool:
    """True if following the reply would never end: its next object is not above those already seen."""
    seen = max((object_id for object_id, _ in reply.objects), default=request_pdu[3])
    return reply.more_follows and reply.next_object <= max(seen, request_pdu[3])


def read_reply(function: int, data: bytes) -> bytes:
    """The reply of a server to a read request: function, byte count, data."""
    return bytes((function, len(data))) + data


def exception_reply(function: int, code: int) -> bytes:
    """The reply of a server that refuses: function + 80h, exception code."""
    return bytes((function | EXCEPTION_BIT, code))


def pdu_of(frame: bytes, framing: Framing) -> bytes:
    """The PDU inside a whole frame, empty if the frame is too short to hold one."""
    return frame[7:] if framing is Framing.MBAP else frame[1:-2]


def unit_of(frame: bytes, framing: Framing) -> int | None:
    """The unit that a whole frame names, None if the frame is too short."""
    at = 6 if framing is Framing.MBAP else 0
    return frame[at] if len(frame) > at else None
