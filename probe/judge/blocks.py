"""Accepted register replies of a device, and the points that lie in them."""

from __future__ import annotations

from collections.abc import Iterable
from struct import Struct
from typing import NamedTuple

from probe.model.block import BlockDecoder, block_decoder
from probe.model.codec import FLOATS
from probe.model.evidence import Exchange, Framing, Outcome
from probe.model.number_codec import FactoredDecoder
from probe.model.pdu import pdu_of
from probe.model.profile import Area, Point, Profile
from probe.model.reading import Quality, Reading, Value

_ASKED = Struct(">BHH")
#: Area that a function code reads.
AREAS = {area.function: area for area in Area}
#: Function code that reads an area; a look-up here, where the property of Area would make a table each time.
FUNCTIONS = {area: area.function for area in Area}


class Block(NamedTuple):
    """Data of one accepted reply. start: PDU address as the profile counts it (register
    shift taken off). size: registers or bits."""

    sequence: int
    exchange: Exchange
    function: int
    start: int
    size: int
    data: bytes

    @property
    def end(self) -> int:
        """First address behind the block."""
        return self.start + self.size

    def raw(self, start: int, count: int) -> bytes | None:
        """The registers (two bytes each) or the bit (one byte) at start; None if not wholly inside."""
        offset = start - self.start
        if offset < 0 or offset + count > self.size:
            return None
        if self.function <= 2:
            return bytes((self.data[offset >> 3] >> (offset & 7) & 1,))
        return self.data[2 * offset : 2 * (offset + count)]


def request_pdu(exchange: Exchange) -> bytes:
    """Function code and data of what was asked, without header and checksum."""
    return pdu_of(exchange.request, exchange.framing)


def response_pdu(exchange: Exchange) -> bytes:
    """Function code and data of the answer, without header and checksum; empty without one."""
    return pdu_of(exchange.response, exchange.framing)


class _Reads(dict[bytes, tuple[int, int, int, int]]):
    """By the PDU of a request: function, first address, quantity, and bytes of data of the reply.

    -1 bytes if it is no read of one of the four tables. Thousands of devices are asked a few dozen times.
    """

    def __missing__(self, pdu: bytes) -> tuple[int, int, int, int]:
        function, start, count = _ASKED.unpack(pdu) if len(pdu) == _ASKED.size else (0, 0, 0)
        size = 2 * count if function > 2 else (count + 7) // 8
        if len(self) >= _READS_KEPT:  # a record from elsewhere may hold any number
            self.clear()
        made = self[pdu] = (function, start, count, size if 0 < function <= 4 else -1)
        return made


_READS_KEPT = 4096
_reads = _Reads()


def block_of(sequence: int, exchange: Exchange, shift: int = 0) -> Block | None:
    """The block that an exchange brought; None unless it is data of a read of one of the four tables."""
    found = blocks_of(((sequence, exchange),), shift) if exchange.outcome is Outcome.DATA else ()
    return found[0] if found else None


def blocks_of(accepted: Iterable[tuple[int, Exchange]], shift: int = 0) -> list[Block]:
    """The blocks that exchanges brought, in their order; ``block_of`` for many whose outcome is DATA.

    The wire has made sure that the data is as long as was asked; a record from elsewhere need not keep to
    it, so what does not fit is no block.
    """
    found = []
    reads, mbap, new, block = _reads, Framing.MBAP, tuple.__new__, Block
    for sequence, exchange in accepted:
        if exchange[2] is mbap:
            pdu, data = exchange[9][7:], exchange[10][9:]
        else:
            pdu, data = exchange[9][1:-2], exchange[10][3:-2]
        function, start, count, size = reads[pdu]
        if len(data) == size:
            # As Block(...), which passes through a Python function and takes twice the time.
            found.append(new(block, (sequence, exchange, function, start - shift, count, data)))
    return found


def holds(block: Block, point: Point) -> bool:
    """True if the point lies wholly in the block."""
    return block.function == FUNCTIONS[point.area] and block.start <= point.start and point.end <= block.end


def decode(profile: Profile, point: Point, block: Block) -> Reading:
    """The reading of a point from a block that holds it."""
    sequence, made, function, start, _, data = block
    offset = point.start - start
    if function <= 2:
        raw = bytes((data[offset >> 3] >> (offset & 7) & 1,))
    else:
        raw = data[2 * offset : 2 * (offset + point.count)]
    if point.scale_factor:
        value, quality = scaled(profile, point, block, raw)
    else:
        value, quality = point.decoder.decode(raw)
    return Reading(
        made.tag, point.name, value, quality, raw, made.sent_ns, made.received_ns, sequence, made.round
    )


def scaled(profile: Profile, point: Point, block: Block, raw: bytes) -> tuple[Value, Quality]:
    """The value of raw with the scale-factor register of the same block applied, where the point has one."""
    decoder = point.decoder
    if not point.scale_factor or not isinstance(decoder, FactoredDecoder):
        return decoder.decode(raw)
    factor = profile.by_name[point.scale_factor]
    factor_raw = block.raw(factor.start, factor.count)
    exponent = None if factor_raw is None else int.from_bytes(factor_raw, "big", signed=True)
    return decoder.with_factor(decoder.number_of(raw), exponent)


def decoder_of(profile: Profile, block: Block) -> BlockDecoder:
    """The ready decoder for all points of a block of this shape."""
    return block_decoder(profile, AREAS[block.function], block.start, block.size)


def is_float(point: Point) -> bool:
    """True for IEEE 754 numbers."""
    return point.type in FLOATS
