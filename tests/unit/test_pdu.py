"""The PDU codec: limits of requests, and a name for every reply."""

from __future__ import annotations

import pytest

from probe.model.evidence import Framing, Outcome
from probe.model.pdu import (
    check_reply,
    data_size,
    exception_reply,
    following_request,
    identification,
    identification_request,
    leads_back,
    payload,
    pdu_of,
    read_reply,
    read_request,
    read_span,
    unit_of,
)


@pytest.mark.parametrize(("function", "limit"), [(1, 2000), (2, 2000), (3, 125), (4, 125)])
def test_read_requests_keep_the_limits_of_the_standard(function, limit):
    """MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4 (quantity)."""
    pdu = read_request(function, 0, limit)
    assert read_span(pdu) == (function, 0, limit)
    assert data_size(pdu) == 250
    for bad in (0, limit + 1):
        with pytest.raises(ValueError, match="count"):
            read_request(function, 0, bad)


def test_read_requests_stay_inside_the_address_space():
    assert read_request(3, 65_535, 1) == bytes.fromhex("03FFFF0001")
    for start, count in ((65_535, 2), (-1, 1), (65_536, 1)):
        with pytest.raises(ValueError, match="0 to 65535"):
            read_request(3, start, count)


@pytest.mark.parametrize("function", [0, 5, 6, 15, 16, 0x2B, 0x83])
def test_no_read_request_of_another_function(function):
    with pytest.raises(ValueError, match="not a read"):
        read_request(function, 0, 1)
    with pytest.raises(ValueError, match="not a read"):
        read_span(bytes((function, 0, 0, 0, 1)))


@pytest.mark.parametrize("count", [1, 7, 8, 9, 16, 17])
def test_bits_take_whole_bytes(count):
    assert data_size(read_request(1, 0, count)) == -(-count // 8)


THREE = read_request(3, 0x6B, 3)
TEN_BITS = read_request(2, 0, 10)

REPLIES = [
    (THREE, "0306022B00000064", Outcome.DATA, 0),
    (THREE, "8302", Outcome.EXCEPTION, 2),
    (THREE, "830B", Outcome.EXCEPTION, 11),
    (THREE, "", Outcome.SHORT, 0),
    (THREE, "03", Outcome.SHORT, 0),
    (THREE, "83", Outcome.SHORT, 0),
    (THREE, "830200", Outcome.LONG, 0),
    (THREE, "8402", Outcome.WRONG_FUNCTION, 0),
    (THREE, "0406000000000000", Outcome.WRONG_FUNCTION, 0),
    (THREE, "0300", Outcome.SHORT, 0),
    (THREE, "03040000 0000", Outcome.SHORT, 0),
    (THREE, "0308" + "00" * 8, Outcome.LONG, 0),
    (THREE, "0305" + "00" * 5, Outcome.ODD, 0),
    (THREE, "0307" + "00" * 7, Outcome.ODD, 0),
    (THREE, "0306" + "00" * 5, Outcome.ODD, 0),
    (THREE, "0306" + "00" * 7, Outcome.ODD, 0),
    (THREE, "0304" + "00" * 6, Outcome.ODD, 0),
    (TEN_BITS, "020203FF", Outcome.DATA, 0),
    (TEN_BITS, "020103", Outcome.SHORT, 0),
    (TEN_BITS, "0203030303", Outcome.LONG, 0),
    (TEN_BITS, "02020303FF", Outcome.ODD, 0),
]


@pytest.mark.parametrize(("request_pdu", "reply", "outcome", "code"), REPLIES)
def test_replies_are_named(request_pdu, reply, outcome, code):
    assert check_reply(request_pdu, bytes.fromhex(reply)) == (outcome, code)


def test_only_one_length_and_one_byte_count_is_data():
    """Every reply to three registers with any byte count and any number of bytes: one pair is data."""
    good = [
        (said, present)
        for said in range(256)
        for present in range(254)
        if check_reply(THREE, bytes((3, said)) + bytes(present))[0] is Outcome.DATA
    ]
    assert good == [(6, 6)]


def test_server_side_replies_pass_their_own_check():
    assert check_reply(THREE, read_reply(3, bytes(6))) == (Outcome.DATA, 0)
    assert check_reply(THREE, exception_reply(3, 4)) == (Outcome.EXCEPTION, 4)
    assert payload(read_reply(3, b"\1\2")) == b"\1\2"


def test_pdu_and_unit_of_frames():
    assert pdu_of(bytes.fromhex("000100000006FF03006B0003"), Framing.MBAP) == THREE
    assert pdu_of(bytes.fromhex("1103006B00037687"), Framing.RTU) == THREE
    assert unit_of(bytes.fromhex("000100000006FF03"), Framing.MBAP) == 0xFF
    assert unit_of(b"\x11", Framing.RTU) == 0x11
    assert unit_of(b"\x00\x01", Framing.MBAP) is None
    assert pdu_of(b"\x00\x01", Framing.MBAP) == pdu_of(b"\x11", Framing.RTU) == b""


# -------------------------------------------------------------------- Read Device Identification


def reply(*objects: tuple[int, bytes], more: int = 0, following: int = 0, number: int | None = None) -> bytes:
    count = len(objects) if number is None else number
    body = b"".join(bytes((i, len(text))) + text for i, text in objects)
    return bytes((0x2B, 0x0E, 1, 1, more, following, count)) + body


BASIC = ((0, b"Quellmark"), (1, b"QM-31"), (2, b"V2.11"))
ASK = identification_request()


def test_identification_objects_in_order():
    found = identification(reply(*BASIC))
    assert (found.outcome, found.objects, found.more_follows) == (Outcome.DATA, BASIC, False)
    assert check_reply(ASK, reply(*BASIC)) == (Outcome.DATA, 0)
    assert check_reply(ASK, exception_reply(0x2B, 1)) == (Outcome.EXCEPTION, 1)


FAULTY = [
    ("object longer than the frame", reply(*BASIC)[:-1], Outcome.SHORT),
    ("object missing", reply(*BASIC, number=4), Outcome.SHORT),
    ("bytes behind the last object", reply(*BASIC) + b"\0", Outcome.LONG),
    ("fewer objects stated than sent", reply(*BASIC, number=2), Outcome.LONG),
    ("head alone", reply(*BASIC)[:6], Outcome.SHORT),
    ("another interface type", b"\x2b\x0d" + reply(*BASIC)[2:], Outcome.WRONG_FUNCTION),
    ("another function", reply(*BASIC).replace(b"\x2b", b"\x2c"), Outcome.WRONG_FUNCTION),
]


@pytest.mark.parametrize(("pdu", "outcome"), [row[1:] for row in FAULTY], ids=[row[0] for row in FAULTY])
def test_faulty_identifications_are_named_and_never_raise(pdu, outcome):
    assert check_reply(ASK, pdu) == (outcome, 0)


def test_whole_objects_of_a_cut_reply_are_kept():
    assert identification(reply(*BASIC)[:-1]).objects == BASIC[:2]


def test_every_cut_of_an_identification_is_not_data():
    whole = reply(*BASIC)
    assert {check_reply(ASK, whole[:cut])[0] for cut in range(len(whole))} == {Outcome.SHORT}


def test_more_follows_leads_on_and_never_back():
    first = reply(*BASIC[:2], more=0xFF, following=2)
    assert following_request(ASK, first) == identification_request(1, 2)
    assert following_request(identification_request(1, 2), reply(BASIC[2])) is None
    back = reply(*BASIC, more=0xFF, following=0)
    assert leads_back(ASK, identification(back))
    assert following_request(ASK, back) is None
    restarted = reply(*BASIC, more=0xFF, following=3)  # the server began at 0 again when asked from 3
    assert following_request(identification_request(1, 3), restarted) is None


def test_identification_request_refuses_other_codes():
    for code, object_id in ((0, 0), (5, 0), (1, 256), (1, -1)):
        with pytest.raises(ValueError):
            identification_request(code, object_id)
