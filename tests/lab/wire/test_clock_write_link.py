"""The link that may write a clock, over real sockets: Modbus TCP and RTU over TCP, answers right and wrong.

Frames of the other side are made by hand; checksums come from modbus-tk.
Source: MODBUS Application Protocol Specification V1.1b3, 6.6, 6.12.
"""

from __future__ import annotations

import pytest
from modbus_tk.utils import calculate_crc

from probe.model.device_map import Target
from probe.model.evidence import Framing, Outcome, Purpose
from probe.model.profile import Quirks
from probe.wire.allowed import WriteRefused
from probe.wire.clock_write import Permit, clock_write_link
from probe.wire.connect import link_to
from probe.wire.link import Request
from probe.wire.system_clock import SystemClock

STRICT = Quirks()
PERMIT = Permit(5, 16, 1, 3, None)
LATCHED = Permit(5, 6, 1, 3, (9, 0x5AA5))
#: The standard's example: two registers from address 1, 000A and 0102.
WRITE = bytes.fromhex("10 0001 0002 04 000A 0102")
TAKEN = bytes.fromhex("10 0001 0002")


def request(pdu: bytes, purpose: Purpose = Purpose.CLOCK_SET, timeout_s: float = 20.0) -> Request:
    return Request("52-F1", purpose, 2, 1, 5, pdu, timeout_s)


def frame_of(framing: Framing, pdu: bytes, unit: int = 5, transaction: bytes = b"\0\1") -> bytes:
    if framing is Framing.MBAP:
        return transaction + bytes((0, 0, 0, 1 + len(pdu), unit)) + pdu
    frame = bytes((unit,)) + pdu
    return frame + calculate_crc(frame).to_bytes(2, "big")


def link_at(server, framing: Framing, permit: Permit = PERMIT):
    target = Target("127.0.0.1", server.port, 5, framing, None, "")
    return clock_write_link(target, SystemClock(), lambda _: None, permit)


ANSWERS = [
    ("taken", TAKEN, Outcome.DATA, 0),
    ("refused", b"\x90\x02", Outcome.EXCEPTION, 2),
    ("fewer registers", bytes.fromhex("10 0001 0001"), Outcome.ODD, 0),
    ("another address", bytes.fromhex("10 0002 0002"), Outcome.ODD, 0),
    ("another function", bytes.fromhex("06 0001 0002"), Outcome.WRONG_FUNCTION, 0),
]


@pytest.mark.parametrize("framing", list(Framing))
@pytest.mark.parametrize(("sent", "outcome", "code"), [a[1:] for a in ANSWERS], ids=[a[0] for a in ANSWERS])
async def test_a_write_goes_out_and_its_answer_is_judged(hostile, opened, framing, sent, outcome, code):
    async with hostile(lambda *_: [frame_of(framing, sent)]) as server:
        link = await opened(link_at(server, framing))
        exchange = await link.exchange(request(WRITE), STRICT)
    assert (exchange.outcome, exchange.exception_code) == (outcome, code)
    assert (exchange.request, server.seen) == (frame_of(framing, WRITE), [frame_of(framing, WRITE)])
    assert exchange.purpose is Purpose.CLOCK_SET


@pytest.mark.parametrize("framing", list(Framing))
async def test_reads_go_over_it_as_over_any_link(hostile, opened, ask, framing):
    answer = bytes.fromhex("03 06 022B 0000 0064")
    async with hostile(lambda *_: [frame_of(framing, answer)]) as server:
        link = await opened(link_at(server, framing))
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA


@pytest.mark.parametrize("framing", list(Framing))
@pytest.mark.parametrize(
    "pdu",
    ["10 0001 0003 06 0000 0000 0000", "06 0001 0003", "05 0001 FF00", "17 0000 0001 0001 0001 02 0000"],
)
async def test_nothing_else_leaves_this_computer(hostile, opened, framing, pdu):
    async with hostile(lambda *_: []) as server:
        link = await opened(link_at(server, framing))
        with pytest.raises(WriteRefused):
            await link.exchange(request(bytes.fromhex(pdu)), STRICT)
        with pytest.raises(WriteRefused):
            await link.exchange(request(WRITE, Purpose.POLL), STRICT)
    assert server.seen == []


@pytest.mark.parametrize("framing", list(Framing))
async def test_usual_links_send_no_write_at_all(hostile, opened, framing):
    async with hostile(lambda *_: []) as server:
        target = Target("127.0.0.1", server.port, 5, framing, None, "")
        link = await opened(link_to(target, SystemClock(), lambda _: None))
        with pytest.raises(WriteRefused):
            await link.exchange(request(WRITE), STRICT)
    assert server.seen == []


async def test_the_latch_goes_out_with_its_value(hostile, opened):
    latch = bytes.fromhex("06 0009 5AA5")
    async with hostile(lambda *_: [frame_of(Framing.RTU, latch)]) as server:
        link = await opened(link_at(server, Framing.RTU, LATCHED))
        assert (await link.exchange(request(latch), STRICT)).outcome is Outcome.DATA


@pytest.mark.parametrize("framing", list(Framing))
async def test_a_write_without_an_answer_is_no_answer(hostile, opened, framing):
    async with hostile(lambda *_: []) as server:
        link = await opened(link_at(server, framing))
        exchange = await link.exchange(request(WRITE, timeout_s=0.1), STRICT)
    assert (exchange.outcome, exchange.response) == (Outcome.NO_ANSWER, b"")
