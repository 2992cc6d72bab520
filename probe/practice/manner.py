"""How a device of the practice lineup behaves on the wire: well, or in one of many bad ways.

A manner is data; ``server`` acts on it. A twist turns the right answer into what is really sent: any number
of frames, each after a pause, so that a short, doubled, late or foreign answer is one small function here.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple


class Sent(NamedTuple):
    """One frame that goes out after a pause."""

    pause_s: float
    frame: bytes


#: The right answer (whole Modbus TCP frame) to what goes out instead.
Twist = Callable[[bytes], Sequence[Sent]]


class Share(NamedTuple):
    """``some`` of every ``of`` requests, spread evenly; (0, 1) is never, (1, 1) always."""

    some: int
    of: int

    def hits(self, number: int) -> bool:
        """True for the request of that number (0 first) if it is one of the some."""
        return (number * self.some) % self.of >= self.of - self.some if self.some else False


NEVER = Share(0, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """Behaviour of one device or gateway.

    reply_s: usual time to an answer, plus up to a third of it by chance. refuses: no one listens at the port.
    silent: takes requests and never answers. sockets: connections borne at once; taken: how many of them
    somebody else holds. exception: answers everything with this code (0: no). dead: on a bus, its gateway
    gets no answer from it. any_unit: answers whatever unit is asked.
    """

    reply_s: float = 0.004
    refuses: bool = False
    silent: bool = False
    dead: bool = False
    any_unit: bool = False
    closes_after_reply: bool = False
    sockets: int = 4
    taken: int = 0
    exception: int = 0
    drops: Share = NEVER
    busy: Share = NEVER
    resets: Share = NEVER
    twist: Twist | None = None


def _mbap(frame: bytes, pdu: bytes) -> bytes:
    """The frame with another PDU and the length that belongs to it."""
    return frame[:4] + struct.pack(">H", len(pdu) + 1) + frame[6:7] + pdu


def other_unit(frame: bytes) -> list[Sent]:
    """The unit id of the answer is one higher than that of the request."""
    return [Sent(0, frame[:6] + bytes([(frame[6] + 1) % 248 or 1]) + frame[7:])]


def transaction_zero(frame: bytes) -> list[Sent]:
    """The transaction id is always 0."""
    return [Sent(0, b"\x00\x00" + frame[2:])]


def other_transaction(frame: bytes) -> list[Sent]:
    """The transaction id is one higher than that of the request."""
    number = (int.from_bytes(frame[:2], "big") + 1) & 0xFFFF
    return [Sent(0, number.to_bytes(2, "big") + frame[2:])]


def other_protocol(frame: bytes) -> list[Sent]:
    """The protocol field is 1, where Modbus has 0."""
    return [Sent(0, frame[:2] + b"\x00\x01" + frame[4:])]


def short(frame: bytes) -> list[Sent]:
    """One register fewer than asked for, in a frame that is right in itself."""
    return [Sent(0, _resized(frame, -2))]


def long(frame: bytes) -> list[Sent]:
    """One register more than asked for, in a frame that is right in itself."""
    return [Sent(0, _resized(frame, 2))]


def odd(frame: bytes) -> list[Sent]:
    """One byte fewer than asked for: a byte count that no number of registers has."""
    return [Sent(0, _resized(frame, -1))]


def other_function(frame: bytes) -> list[Sent]:
    """Input registers for holding registers and the reverse; other functions stay."""
    swapped = {3: 4, 4: 3, 1: 2, 2: 1}
    return [Sent(0, frame[:7] + bytes([swapped.get(frame[7], frame[7])]) + frame[8:])]


def doubled(frame: bytes) -> list[Sent]:
    """Every answer comes twice."""
    return [Sent(0, frame), Sent(0.002, frame)]


def crumbled(frame: bytes) -> list[Sent]:
    """Every answer comes in three segments (not a fault: TCP may do so, and it must be read the same)."""
    return [Sent(0, frame[:5]), Sent(0.002, frame[5:8]), Sent(0.002, frame[8:])]


def late(pause_s: float) -> Twist:
    """Answers come right, but so late that the asker has given up."""

    def twist(frame: bytes) -> list[Sent]:
        return [Sent(pause_s, frame)]

    return twist


def cut_header(frame: bytes) -> list[Sent]:
    """A frame whose header promises 200 bytes that never come."""
    return [Sent(0, frame[:4] + struct.pack(">H", 200) + frame[6:])]


def _resized(frame: bytes, more: int) -> bytes:
    """The frame with its data longer or shorter by so many bytes; exceptions and 2B stay as they are."""
    function, count = frame[7], frame[8]
    if function not in (1, 2, 3, 4):
        return frame
    data = (frame[9:] + bytes(2))[: count + more]
    return _mbap(frame, bytes([function, (count + more) & 0xFF]) + data)
