"""RTU framing: checksum, build, and the length of a reply from its own bytes."""

from __future__ import annotations

import pytest

from probe.wire import rtu


def test_build_and_is_whole():
    frame = rtu.build(0x11, bytes.fromhex("03006B0003"))
    assert frame == bytes.fromhex("1103006B00037687")
    assert rtu.is_whole(frame)
    assert not any(rtu.is_whole(frame[:cut]) for cut in range(len(frame)))
    for size in (0, 254):
        with pytest.raises(ValueError, match="253"):
            rtu.build(1, bytes(size))


def test_every_flipped_bit_is_seen():
    frame = rtu.build(5, bytes.fromhex("0306022B00000064"))
    for bit in range(8 * len(frame)):
        damaged = bytearray(frame)
        damaged[bit // 8] ^= 1 << bit % 8
        assert not rtu.is_whole(bytes(damaged))


IDENTITY = bytes.fromhex("2B0E010100000200094D616B65726E616D65010251 31".replace(" ", ""))

SIZES = [
    ("registers", rtu.build(5, bytes.fromhex("0306022B00000064")), 3),
    ("bits", rtu.build(5, bytes.fromhex("0103CD6B05")), 3),
    ("exception", rtu.build(5, b"\x83\x02"), 3),
    ("echo of a write", rtu.build(5, bytes.fromhex("0600010003")), 3),
    ("identification", rtu.build(5, IDENTITY), 21),
]


@pytest.mark.parametrize(("frame", "known_at"), [row[1:] for row in SIZES], ids=[row[0] for row in SIZES])
def test_reply_size_is_right_as_soon_as_it_can_be_known(frame, known_at):
    assert [rtu.reply_size(frame[:n]) for n in range(known_at)] == [0] * known_at
    assert {rtu.reply_size(frame[:n]) for n in range(known_at, len(frame) + 1)} == {len(frame)}
    assert all(rtu.is_measurable(frame[:n]) for n in range(len(frame)))


@pytest.mark.parametrize("head", ["0507", "0511", "0500", "052B0D"])
def test_functions_without_a_known_length(head):
    assert not rtu.is_measurable(bytes.fromhex(head))
    assert rtu.reply_size(bytes.fromhex(head + "000000")) == 0
