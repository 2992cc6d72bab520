"""MBAP framing: build, measure, refuse."""

from __future__ import annotations

import pytest

from probe.wire import mbap


def test_build_refuses_what_no_frame_can_carry():
    assert len(mbap.build(1, 1, bytes(253))) == mbap.LARGEST
    for size in (0, 254):
        with pytest.raises(ValueError, match="253"):
            mbap.build(1, 1, bytes(size))


def test_size_is_known_from_the_sixth_byte():
    frame = mbap.build(0x1234, 5, b"\x03\x02\x00\x01")
    assert [mbap.size(frame[:n]) for n in range(8)] == [0, 0, 0, 0, 0, 0, 11, 11]
    assert mbap.transaction_of(frame) == 0x1234


def test_every_length_field_is_in_or_out_of_step():
    """MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3: unit and 1 to 253 bytes of PDU."""
    good = [n for n in range(65_536) if not mbap.is_out_of_step(bytes((0, 1, 0, 0)) + n.to_bytes(2, "big"))]
    assert good == list(range(2, 255))


@pytest.mark.parametrize("protocol", ["0001", "0100", "ffff"])
def test_any_protocol_but_0_is_out_of_step_from_the_fourth_byte(protocol):
    data = bytes.fromhex("0001" + protocol)
    assert not mbap.is_out_of_step(data[:3])
    assert mbap.is_out_of_step(data)
