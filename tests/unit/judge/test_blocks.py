"""What replies hold: bits and registers at their places, frames of both kinds, replies that are no data.

Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4 (layout of requests and replies).
"""

from __future__ import annotations

import struct

import pytest

from probe.judge import blocks
from probe.judge.blocks import Block, block_of, blocks_of, decode, holds, request_pdu, response_pdu
from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.lineup import SourceText
from probe.model.profile import Area
from probe.model.profile_load import ProfileLibrary
from probe.model.reading import Quality

PROFILE = """\
format: buswitness-profile/1
name: bits-and-registers
title: Bits and registers
kind: meter
addressing: zero_based
area: holding
order: ABCD
points:
  first: {title: First, area: coil, address: 10, type: bit, unit: none, quantity: state}
  ninth: {title: Ninth, area: coil, address: 18, type: bit, unit: none, quantity: state}
  power:
    {title: Power, address: 100, type: i16, unit: W, quantity: power_active, scale_factor: power_sf}
  power_sf: {title: Scale factor, address: 101, type: sunssf}
"""


def exchange(request: bytes, reply: bytes, framing: Framing = Framing.MBAP, **other: object) -> Exchange:
    """One exchange; request and reply are PDUs."""
    if framing is Framing.MBAP:
        frames = [struct.pack(">HHHB", 7, 0, len(pdu) + 1, 255) + pdu for pdu in (request, reply)]
    else:
        frames = [b"\x05" + pdu + b"\xaa\xbb" for pdu in (request, reply)]
    fields = {"outcome": Outcome.DATA, "exception_code": 0} | other
    return Exchange("F1", Purpose.POLL, framing, 0, 1, 0, 5, fields["outcome"], 0, *frames)  # type: ignore[arg-type]


def read(function: int, start: int, count: int) -> bytes:
    return struct.pack(">BHH", function, start, count)


def reply(function: int, data: bytes) -> bytes:
    return bytes((function, len(data))) + data


@pytest.mark.parametrize("framing", [Framing.MBAP, Framing.RTU])
def test_registers_stand_where_they_were_asked(framing: Framing) -> None:
    one = exchange(read(3, 100, 3), reply(3, bytes.fromhex("000A000B000C")), framing)
    block = block_of(9, one)
    assert block is not None
    assert (block.sequence, block.function, block.start, block.size, block.end) == (9, 3, 100, 3, 103)
    assert [block.raw(at, 1) for at in (100, 101, 102)] == [b"\0\x0a", b"\0\x0b", b"\0\x0c"]
    assert block.raw(101, 2) == bytes.fromhex("000B000C")
    assert block.raw(99, 1) is None
    assert block.raw(102, 2) is None
    assert block.raw(103, 1) is None
    assert request_pdu(one) == read(3, 100, 3)
    assert response_pdu(one) == reply(3, bytes.fromhex("000A000B000C"))


@pytest.mark.parametrize("function", [1, 2])
def test_bits_come_lowest_first_eight_to_a_byte(function: int) -> None:
    """The example of 6.1: coils 20 to 38 as CD 6B 05."""
    block = block_of(1, exchange(read(function, 19, 19), reply(function, bytes.fromhex("CD6B05"))))
    assert block is not None
    bits = [block.raw(19 + place, 1) for place in range(19)]
    told = [(0xCD6B05.to_bytes(3)[place // 8] >> place % 8) & 1 for place in range(19)]
    assert bits == [bytes((bit,)) for bit in told]
    assert "".join(str(one[0]) for one in bits[7::-1] if one) == "11001101"
    assert block.raw(38, 1) is None


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        (read(3, 0, 2), reply(3, b"\0\1")),
        (read(3, 0, 1), reply(3, b"\0\1\0")),
        (read(1, 0, 9), reply(1, b"\1")),
        (read(5, 0, 0xFF00), read(5, 0, 0xFF00)),
        (read(0, 0, 1), reply(0, b"\0\1")),
        (b"\x2b\x0e\x01\x00", b"\x2b\x0e\x01\x01\x00\x00\x00"),
    ],
    ids=["short", "odd", "bits short", "a write", "function 0", "identification"],
)
def test_what_is_no_data_of_a_read_is_no_block(request_: bytes, answer: bytes) -> None:
    assert block_of(1, exchange(request_, answer)) is None


def test_just_eight_bits_are_one_byte() -> None:
    assert block_of(1, exchange(read(1, 0, 8), reply(1, b"\1"))) is not None
    assert block_of(1, exchange(read(4, 0, 1), reply(4, b"\0\1"))) is not None


def test_only_data_is_a_block() -> None:
    lost = exchange(read(3, 0, 1), reply(3, b"\0\1"), outcome=Outcome.WRONG_UNIT)
    assert block_of(1, lost) is None


def test_the_shift_of_the_map_is_taken_off() -> None:
    (block,) = blocks_of([(1, exchange(read(3, 101, 1), reply(3, b"\0\1")))], shift=1)
    assert block.start == 100
    (block,) = blocks_of([(1, exchange(read(3, 99, 1), reply(3, b"\0\1")))], shift=-1)
    assert block.start == 100


def test_requests_that_are_remembered_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blocks, "_READS_KEPT", 4)
    kept = blocks._Reads()
    for start in range(11):
        assert kept[read(3, start, 2)] == (3, start, 2, 4)
        assert len(kept) <= 4


@pytest.fixture(scope="module")
def profile() -> object:
    text = SourceText(name="bits-and-registers.yaml", text=PROFILE, sha256="p")
    return ProfileLibrary.of([text]).get("bits-and-registers")


def test_points_are_decoded_from_bits_and_with_their_scale_factor(profile: object) -> None:
    known = profile.by_name  # type: ignore[attr-defined]
    bits = block_of(1, exchange(read(1, 10, 9), reply(1, bytes.fromhex("0101"))))
    assert bits is not None
    for name in ("first", "ninth"):
        assert holds(bits, known[name])
        assert decode(profile, known[name], bits).value in (1, True)  # type: ignore[arg-type]
    registers = block_of(2, exchange(read(3, 100, 2), reply(3, bytes.fromhex("04D2FFFF"))))
    assert registers is not None
    reading = decode(profile, known["power"], registers)  # type: ignore[arg-type]
    assert (reading.value, reading.quality, reading.sequence) == (pytest.approx(123.4), Quality.GOOD, 2)


def test_a_block_holds_what_lies_wholly_in_it(profile: object) -> None:
    known = profile.by_name  # type: ignore[attr-defined]
    one = exchange(read(3, 100, 1), reply(3, b"\0\1"))
    block = block_of(1, one)
    assert block is not None
    assert holds(block, known["power"])
    assert not holds(block, known["power_sf"])
    assert not holds(block, known["first"])
    coils = Block(1, one, Area.COIL.function, 10, 8, b"\0")
    assert holds(coils, known["first"])
    assert not holds(coils, known["ninth"])
