"""Writes of registers as PDUs. Examples: MODBUS Application Protocol Specification V1.1b3, 6.6 and 6.12."""

from __future__ import annotations

import pytest

from probe.model.evidence import Outcome
from probe.model.pdu import check_reply, exception_reply
from probe.model.write_pdu import is_write, write_reply, write_requests, write_span

#: function, start, registers, request, reply: the standard's own examples.
EXAMPLES = [
    (6, 1, "0003", "06 0001 0003", "06 0001 0003"),
    (16, 1, "000A 0102", "10 0001 0002 04 000A 0102", "10 0001 0002"),
]


@pytest.mark.parametrize(("function", "start", "data", "request_hex", "reply_hex"), EXAMPLES)
def test_the_standards_examples(function, start, data, request_hex, reply_hex):
    (pdu,) = write_requests(function, start, bytes.fromhex(data))
    assert pdu == bytes.fromhex(request_hex)
    assert write_reply(pdu) == bytes.fromhex(reply_hex)
    assert check_reply(pdu, bytes.fromhex(reply_hex)) == (Outcome.DATA, 0)
    assert write_span(pdu) == (function, start, bytes.fromhex(data))
    assert is_write(pdu)


def test_function_6_writes_one_register_a_request():
    pdus = write_requests(6, 10, bytes.fromhex("0001 0002 0003"))
    assert [write_span(pdu)[1:] for pdu in pdus] == [(10, b"\0\1"), (11, b"\0\2"), (12, b"\0\3")]


@pytest.mark.parametrize(
    ("function", "start", "data"),
    [(5, 0, b"\0\1"), (15, 0, b"\0\1"), (22, 0, b"\0\1"), (16, 0, b""), (16, 0, b"\0"), (16, 0, bytes(248)),
     (6, 65_536, b"\0\1"), (16, 65_535, bytes(4)), (16, -1, b"\0\1")],
)  # fmt: skip
def test_what_no_write_can_be(function, start, data):
    with pytest.raises(ValueError, match=r"cannot be written|none of 6 and 16"):
        write_requests(function, start, data)


REPLIES = [
    ("", Outcome.SHORT), ("10", Outcome.SHORT), ("10 0001 00", Outcome.SHORT),
    ("10 0001 0002 00", Outcome.LONG), ("10 0001 0003", Outcome.ODD), ("10 0002 0002", Outcome.ODD),
    ("03 02 0001", Outcome.WRONG_FUNCTION), ("06 0001 0002", Outcome.WRONG_FUNCTION),
    ("90", Outcome.SHORT), ("90 02 00", Outcome.LONG),
]  # fmt: skip


@pytest.mark.parametrize(("reply", "outcome"), REPLIES)
def test_replies_that_do_not_repeat_what_was_asked(reply, outcome):
    (pdu,) = write_requests(16, 1, bytes(4))
    assert check_reply(pdu, bytes.fromhex(reply)) == (outcome, 0)


def test_an_exception_is_one():
    (pdu,) = write_requests(16, 1, bytes(4))
    assert check_reply(pdu, exception_reply(16, 2)) == (Outcome.EXCEPTION, 2)


@pytest.mark.parametrize(
    "pdu", ["10 0001 0002 04 000A", "10 0001 0003 04 000A 0102", "06 0001", "03 0000 0001"]
)
def test_what_is_no_write(pdu):
    with pytest.raises(ValueError, match="not a write"):
        write_span(bytes.fromhex(pdu))
