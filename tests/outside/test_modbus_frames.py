"""Modbus frames: the standards' own examples byte for byte, and four independent implementations.

Sources: MODBUS Application Protocol Specification V1.1b3 (6.1 to 6.4, 6.21, 7), MODBUS over Serial Line
Specification and Implementation Guide V1.02 (6.2.2), MODBUS Messaging on TCP/IP Implementation Guide V1.0b
(3.1.3). Second opinions: pymodbus, modbus-tk, pyModbusTCP and scapy.contrib.modbus (which drops answers
above 123 registers without a word: asked below that only).
"""

from __future__ import annotations

import random
import struct

import pytest

from probe.model.evidence import Outcome
from probe.model.pdu import check_reply, data_size, identification, payload, read_request, read_span
from probe.wire import mbap, rtu

H = bytes.fromhex

EXAMPLES = [  # function, start, quantity, request, response: V1.1b3, 6.1 to 6.4
    (1, 19, 19, "0100130013", "0103CD6B05"),
    (2, 196, 22, "0200C40016", "0203ACDB35"),
    (3, 107, 3, "03006B0003", "0306022B00000064"),
    (4, 8, 1, "0400080001", "0402000A"),
]


@pytest.mark.parametrize(("function", "start", "quantity", "request_hex", "reply_hex"), EXAMPLES)
def test_examples_of_the_read_functions(function, start, quantity, request_hex, reply_hex):
    assert read_request(function, start, quantity) == H(request_hex)
    assert read_span(H(request_hex)) == (function, start, quantity)
    assert check_reply(H(request_hex), H(reply_hex)) == (Outcome.DATA, 0)
    assert payload(H(reply_hex)) == H(reply_hex)[2:]


def test_registers_of_the_example_are_555_0_100():
    assert struct.unpack(">3H", payload(H("0306022B00000064"))) == (555, 0, 100)  # V1.1b3, 6.3


def test_exception_of_the_example():
    assert check_reply(H("0104A10001"), H("8102")) == (Outcome.EXCEPTION, 2)  # V1.1b3, 7


IDENTITY = ((0, b"Company identification"), (1, b"Product code XX"), (2, b"V2.11"))


def identity_reply(first_length: int, second_length: int, number: int = 3) -> bytes:
    lengths = (first_length, second_length, 5)
    body = b"".join(bytes((i, n)) + text for (i, text), n in zip(IDENTITY, lengths, strict=True))
    return H("2B0E01010000") + bytes((number,)) + body


def test_identification_example_corrected():
    """V1.1b3, 6.21: the example states 0Dh for "Product code XX", which has 0Fh bytes."""
    found = identification(identity_reply(0x16, 0x0F))
    assert (found.outcome, found.objects) == (Outcome.DATA, IDENTITY)
    assert len(mbap.build(1, 1, identity_reply(0x16, 0x0F))) == 6 + 0x38


def test_identification_example_as_printed_is_not_taken_for_data():
    """V1.1b3, 6.21, the erratum itself: with 0Dh the objects do not add up to the frame."""
    assert check_reply(H("2B0E0100"), identity_reply(0x16, 0x0D))[0] is Outcome.SHORT


def test_identification_example_of_two_fragments():
    """V1.1b3, 6.21: the first fragment states three objects and lists two; more follows at object 2."""
    listed = b"".join(bytes((i, len(text))) + text for i, text in IDENTITY[:2])
    found = identification(H("2B0E0101FF0203") + listed)
    assert (found.outcome, found.objects) == (Outcome.DATA, IDENTITY[:2])
    assert (found.more_follows, found.next_object) == (True, 2)


CHECKSUMS = [
    ("0207", 0x1241),  # V1.02, 6.2.2
    ("313233343536373839", 0x4B37),  # "123456789", the check value of CRC-16/MODBUS
    ("01030000000A", 0xCDC5),
    ("1103006B0003", 0x8776),
    ("010300000002", 0x0BC4),
    ("000102", 0x91F1),
    ("010100640003", 0xD43D),
    ("018302", 0xF1C0),
]


@pytest.mark.parametrize(("data", "checksum"), CHECKSUMS)
def test_checksums(data, checksum):
    assert rtu.crc16(H(data)) == checksum
    assert rtu.crc16(H(data) + checksum.to_bytes(2, "little")) == 0


def test_frames_of_both_framings():
    assert rtu.build(0x02, b"\x07") == H("02074112")  # V1.02, 6.2.2: low byte first
    assert rtu.build(0x11, H("03006B0003")) == H("1103006B00037687")
    assert mbap.build(1, 0xFF, H("03006B0003")) == H("000100000006FF03006B0003")
    assert mbap.build(8, 1, H("0100640003")) == H("000800000006010100640003")


# -------------------------------------------------------------------- second opinions


def samples() -> list[tuple[int, int, int]]:
    """Function, start, quantity: the corners and some in between, the same in every run."""
    dice = random.Random(20_261_125)
    corners = [(f, s, q) for f in (1, 2, 3, 4) for s, q in ((0, 1), (65_535, 1), (0, 123), (107, 3))]
    return corners + [(dice.randint(1, 4), dice.randint(0, 60_000), dice.randint(1, 120)) for _ in range(40)]


@pytest.mark.parametrize("ask", samples())
def test_requests_as_pymodbus_encodes_them(ask):
    from pymodbus.pdu import bit_message, register_message

    kinds = (
        bit_message.ReadCoilsRequest,
        bit_message.ReadDiscreteInputsRequest,
        register_message.ReadHoldingRegistersRequest,
        register_message.ReadInputRegistersRequest,
    )
    function, start, quantity = ask
    theirs = kinds[function - 1](address=start, count=quantity)
    assert read_request(*ask) == bytes((function,)) + theirs.encode()


@pytest.mark.parametrize("ask", samples())
def test_requests_as_scapy_dissects_them(ask):
    from scapy.contrib import modbus

    function, start, quantity = ask
    packet = modbus.ModbusADURequest(mbap.build(0x1234, 7, read_request(*ask)))
    assert (packet.transId, packet.protoId, packet.unitId) == (0x1234, 0, 7)
    fields = packet.payload
    assert (fields.funcCode, fields.startAddr, fields.quantity) == (function, start, quantity)


@pytest.mark.parametrize("ask", samples())
def test_replies_as_scapy_builds_them_are_data(ask):
    from scapy.contrib import modbus

    function, _, quantity = ask
    values = list(range(quantity if function >= 3 else (quantity + 7) // 8))
    kinds = {
        1: lambda: modbus.ModbusPDU01ReadCoilsResponse(coilStatus=values),
        2: lambda: modbus.ModbusPDU02ReadDiscreteInputsResponse(inputStatus=values),
        3: lambda: modbus.ModbusPDU03ReadHoldingRegistersResponse(registerVal=values),
        4: lambda: modbus.ModbusPDU04ReadInputRegistersResponse(registerVal=values),
    }
    frame = bytes(modbus.ModbusADUResponse(transId=9, unitId=3) / kinds[function]())
    assert mbap.size(frame) == len(frame)
    assert check_reply(read_request(*ask), frame[7:]) == (Outcome.DATA, 0)
    assert len(payload(frame[7:])) == data_size(read_request(*ask))


@pytest.mark.parametrize("size", [1, 2, 5, 64, 254])
def test_checksum_as_three_others_compute_it(size):
    from modbus_tk.utils import calculate_crc
    from pymodbus.framer.rtu import FramerRTU
    from pyModbusTCP.utils import crc16

    data = random.Random(size).randbytes(size)
    ours = rtu.crc16(data)
    swapped = int.from_bytes(ours.to_bytes(2, "little"), "big")  # two of them give the bytes as sent
    assert (swapped, swapped, ours) == (calculate_crc(data), FramerRTU.compute_CRC(data), crc16(data))


def test_frames_as_pymodbus_builds_them():
    from pymodbus.framer import FramerRTU, FramerSocket
    from pymodbus.pdu import DecodePDU

    pdu = read_request(3, 107, 3)
    assert FramerSocket(DecodePDU(True)).encode(pdu, 17, 0x1234) == mbap.build(0x1234, 17, pdu)
    assert FramerRTU(DecodePDU(True)).encode(pdu, 17, 0) == rtu.build(17, pdu)


def test_request_frames_as_modbus_tk_builds_them():
    """Its own TCP query makes header and frame; the transaction id is its own."""
    from modbus_tk.modbus_tcp import TcpQuery

    query = TcpQuery()
    frame = query.build_request(read_request(4, 8, 1), 17)
    assert frame == mbap.build(mbap.transaction_of(frame), 17, read_request(4, 8, 1))
    reply = mbap.build(mbap.transaction_of(frame), 17, H("0402000A"))
    assert query.parse_response(reply) == H("0402000A")
