"""RTU over TCP against a server that commits each fault on purpose.

Checksums come from modbus-tk, an independent implementation. The rules are those of MODBUS over Serial Line
Specification and Implementation Guide V1.02, 2.5.1, and MODBUS Application Protocol Specification
V1.1b3, 6.3.
"""

from __future__ import annotations

import asyncio
import contextlib
import time

import pytest
from modbus_tk.utils import calculate_crc

from probe.model.device_map import Target
from probe.model.evidence import ConnectOutcome, Framing, Outcome
from probe.model.profile import Quirks
from probe.wire.allowed import WriteRefused
from probe.wire.connect import link_to
from probe.wire.rtu_tcp_link import RtuTcpLink
from probe.wire.system_clock import SystemClock

GOOD = bytes.fromhex("0306022B00000064")  # V1.1b3, 6.3
STRICT = Quirks()
BRIEF_S = 0.12


def rtu(unit: int, pdu: bytes = GOOD) -> bytes:
    """A frame with the checksum of another implementation (it gives the bytes swapped, high first)."""
    frame = bytes((unit,)) + pdu
    return frame + calculate_crc(frame).to_bytes(2, "big")


def link_of(server, strays) -> RtuTcpLink:
    target = Target("127.0.0.1", server.port, 5, Framing.RTU, None, "")
    link = link_to(target, SystemClock(), strays.append)
    assert isinstance(link, RtuTcpLink)
    return link


IDENTITY = bytes.fromhex("2B0E0101000003") + b"\x00\x09Quellmark\x01\x02Q1\x02\x03V12"

ANSWERS = [
    ("data", rtu(5), Outcome.DATA),
    ("exception 2", rtu(5, b"\x83\x02"), Outcome.EXCEPTION),
    ("another unit", rtu(9), Outcome.WRONG_UNIT),
    ("function 4", rtu(5, b"\x04\x06" + bytes(6)), Outcome.WRONG_FUNCTION),
    ("a write echo", rtu(5, b"\x06\x00\x01\x00\x03"), Outcome.WRONG_FUNCTION),
    ("a function without known length", rtu(5, b"\x11\x05\x01\xff\x00\x00\x00"), Outcome.WRONG_FUNCTION),
    ("one register of three", rtu(5, b"\x03\x02\x00\x01"), Outcome.SHORT),
    ("four registers of three", rtu(5, b"\x03\x08" + bytes(8)), Outcome.LONG),
    ("odd byte count", rtu(5, b"\x03\x05" + bytes(5)), Outcome.ODD),
]


@pytest.mark.parametrize(("sent", "outcome"), [row[1:] for row in ANSWERS], ids=[row[0] for row in ANSWERS])
@pytest.mark.parametrize("way", ["whole", "byte by byte"])
async def test_whole_frames_end_the_wait(hostile, strays, opened, ask, sent, outcome, way):  # noqa: PLR0917
    steps = [sent] if way == "whole" else [part for b in sent for part in (bytes([b]), 0.001)]
    async with hostile(lambda *_: steps) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(), STRICT)
        assert (exchange.outcome, exchange.response, exchange.framing) == (outcome, sent, Framing.RTU)
        assert exchange.request == server.seen[0] == rtu(5, ask().pdu)
        assert link.is_open
        assert strays == []


async def test_identification_is_measured_object_by_object(hostile, strays, opened, ask):
    async with hostile(lambda *_: [rtu(5, IDENTITY)[:20], 0.02, rtu(5, IDENTITY)[20:]]) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(bytes.fromhex("2B0E0100")), STRICT)
        assert (exchange.outcome, exchange.response) == (Outcome.DATA, rtu(5, IDENTITY))


async def test_a_prefix_with_a_valid_checksum_is_not_taken(hostile, strays, opened, ask):
    """The first six bytes of this answer to two registers are whole by checksum; length says eight follow."""
    head = bytes.fromhex("05030402")
    prefix = head + calculate_crc(head).to_bytes(2, "big")
    whole = rtu(5, prefix[1:] + b"\x01")  # byte count 4: two bytes are the false checksum
    assert len(whole) == 9
    async with hostile(lambda *_: [whole[:6], 0.15, whole[6:]]) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(bytes.fromhex("0300000002")), STRICT)
        assert (exchange.outcome, exchange.response) == (Outcome.DATA, whole)


FAULTS = [
    ("checksum wrong", rtu(5)[:-1] + b"\x00", Outcome.BAD_CHECKSUM),
    ("text", b"garbage", Outcome.BAD_FRAME),
    ("an MBAP answer", bytes.fromhex("00010000000905") + GOOD, Outcome.BAD_CHECKSUM),
    ("half a frame", rtu(5)[:6], Outcome.BAD_FRAME),
    ("one byte", b"\x05", Outcome.BAD_FRAME),
]


@pytest.mark.parametrize(("sent", "outcome"), [row[1:] for row in FAULTS], ids=[row[0] for row in FAULTS])
async def test_framing_faults_keep_the_bytes_and_close(hostile, strays, opened, ask, sent, outcome):
    async with hostile(lambda *_: [sent]) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(timeout_s=0.3), STRICT)
        assert (exchange.outcome, exchange.response) == (outcome, sent)
        assert not link.is_open
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.NOT_SENT
        assert not (await link.close()).by_peer


async def test_late_answer_is_drained_before_the_same_unit_is_asked_again(hostile, strays, opened, ask):
    old = rtu(5, b"\x03\x06" + b"\xee" * 6)
    async with hostile(lambda _, count: [1.3, old] if count == 1 else [rtu(5)]) as server:
        link = await opened(link_of(server, strays))
        first = await link.exchange(ask(timeout_s=1.0), STRICT)
        second = await link.exchange(ask(), STRICT)
        assert first.outcome is Outcome.NO_ANSWER
        assert (second.outcome, second.response) == (Outcome.DATA, rtu(5))
        assert [(s.outcome, s.data) for s in strays] == [(Outcome.LATE, old)]


async def test_late_answer_of_another_unit_is_late_while_the_next_one_waits(hostile, strays, opened, ask):
    async with hostile(lambda _, count: [] if count == 1 else [rtu(5), rtu(6)]) as server:
        link = await opened(link_of(server, strays))
        await link.exchange(ask(timeout_s=BRIEF_S), STRICT)
        second = await link.exchange(ask(unit=6), STRICT)
        assert (second.outcome, second.response) == (Outcome.DATA, rtu(6))
        assert [(s.outcome, s.data, s.tag) for s in strays] == [(Outcome.LATE, rtu(5), "U5")]


async def test_the_answer_to_a_fault_on_the_last_connection_is_not_the_next_ones(
    hostile, strays, opened, ask
):
    """A gateway hands a late answer to whoever is connected then: noise, a new connection, the old answer."""
    old = rtu(5, b"\x03\x06" + b"\xee" * 6)
    async with hostile(lambda _, count: [b"\xff\x00\x7e"] if count == 1 else [rtu(5)]) as server:
        link = await opened(link_of(server, strays))
        first = await link.exchange(ask(timeout_s=0.8), STRICT)
        assert first.outcome is Outcome.BAD_FRAME
        await link.close()
        server.greeting = (0.1, old)
        assert (await link.open(20.0)).outcome is ConnectOutcome.OPEN
        second = await link.exchange(ask(), STRICT)
    assert (second.outcome, second.response) == (Outcome.DATA, rtu(5))
    assert (Outcome.LATE, old) in [(s.outcome, s.data) for s in strays]


async def test_draining_ends_when_the_owed_answer_comes(hostile, strays, opened, ask, until):
    """A request cancelled with ten minutes to go: its answer comes, and the next need not wait for them."""
    async with hostile(lambda _, count: [0.2, rtu(5)] if count == 1 else [rtu(5)]) as server:
        link = await opened(link_of(server, strays))
        task = asyncio.create_task(link.exchange(ask(timeout_s=600.0), STRICT))
        await until(lambda: server.seen)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        async with asyncio.timeout(20):
            assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        assert [s.outcome for s in strays] == [Outcome.LATE]


async def test_what_another_unit_owed_does_not_end_the_draining(hostile, strays, opened, ask, until):
    """Two units owe an answer; the other one's comes while this one's is waited for."""
    old = rtu(5, b"\x03\x06" + b"\xee" * 6)
    late = {1: [], 2: [0.5, rtu(6), 0.2, old]}
    async with hostile(lambda _, count: late.get(count, [rtu(5)])) as server:
        link = await opened(link_of(server, strays))
        for unit in (5, 6):
            task = asyncio.create_task(link.exchange(ask(timeout_s=600.0, unit=unit), STRICT))
            await until(lambda: len(server.seen) == unit - 4)  # noqa: B023 - awaited before the next turn
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
        async with asyncio.timeout(20):
            told = await link.exchange(ask(), STRICT)
    assert (told.outcome, told.response) == (Outcome.DATA, rtu(5))
    assert [(s.outcome, s.data) for s in strays] == [(Outcome.LATE, rtu(6)), (Outcome.LATE, old)]


async def test_time_that_this_computer_lost_is_no_time_of_draining(hostile, strays, opened, ask):
    """It stands still while the old answer is waited for, the server too, and wakes when that is over."""
    old = rtu(5, b"\x03\x06" + b"\xee" * 6)
    async with hostile(lambda _, count: [1.4, old] if count == 1 else [rtu(5)]) as server:
        link = await opened(link_of(server, strays))
        first = await link.exchange(ask(timeout_s=1.0), STRICT)
        asyncio.get_running_loop().call_later(0.1, time.sleep, 1.5)
        second = await link.exchange(ask(), STRICT)
    assert first.outcome is Outcome.NO_ANSWER
    assert (second.outcome, second.response) == (Outcome.DATA, rtu(5))
    assert [(s.outcome, s.data) for s in strays] == [(Outcome.LATE, old)]


async def test_second_request_in_flight_is_a_bug_of_the_caller(hostile, strays, opened, ask, until):
    async with hostile(lambda *_: []) as server:
        link = await opened(link_of(server, strays))
        task = asyncio.create_task(link.exchange(ask(), STRICT))
        await until(lambda: server.seen)
        with pytest.raises(RuntimeError, match="in flight"):
            await link.exchange(ask(), STRICT)
        await link.close()
        assert (await task).outcome is Outcome.NOT_SENT


async def test_silent_unit_is_drained_for_a_bounded_time(hostile, strays, opened, ask):
    async with hostile(lambda _, count: [] if count == 1 else [rtu(5)]) as server:
        link = await opened(link_of(server, strays))
        first = await link.exchange(ask(timeout_s=BRIEF_S), STRICT)
        second = await link.exchange(ask(), STRICT)
        assert second.outcome is Outcome.DATA
        assert second.sent_ns - first.received_ns >= BRIEF_S * 0.9e9


async def test_repeated_and_unasked_frames_are_kept(hostile, strays, opened, ask, until):
    async with hostile(lambda *_: [rtu(5) + rtu(5) + rtu(7)]) as server:
        link = await opened(link_of(server, strays))
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        await until(lambda: len(strays) == 2)
        assert [(s.outcome, s.data) for s in strays] == [
            (Outcome.REPEATED, rtu(5)),
            (Outcome.UNASKED, rtu(7)),
        ]
        assert link.is_open


async def test_garbage_after_an_answer_is_a_stray_and_closes(hostile, strays, opened, ask, until):
    async with hostile(lambda *_: [rtu(5) + b"\xff\xff\xff"]) as server:
        link = await opened(link_of(server, strays))
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        await until(lambda: strays)
        assert (strays[0].outcome, strays[0].data) == (Outcome.BAD_FRAME, b"\xff\xff\xff")
        await until(lambda: not link.is_open)


async def test_quirk_unit_not_echoed(hostile, strays, opened, ask):
    async with hostile(lambda *_: [rtu(0)]) as server:
        link = await opened(link_of(server, strays))
        assert (await link.exchange(ask(), Quirks(unit_not_echoed=True))).outcome is Outcome.DATA
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.WRONG_UNIT


@pytest.mark.parametrize(("step", "outcome"), [("close", Outcome.CLOSED), ("reset", Outcome.RESET)])
async def test_end_by_the_other_side(hostile, strays, opened, ask, step, outcome):
    async with hostile(lambda *_: [step]) as server:
        link = await opened(link_of(server, strays))
        assert (await link.exchange(ask(), STRICT)).outcome is outcome
        assert (await link.close()).by_peer
        assert (await link.open(20.0)).outcome is ConnectOutcome.OPEN


async def test_no_function_outside_the_list_leaves_the_socket(hostile, strays, opened, ask):
    """All 256 codes: the server sees the four reads alone."""
    async with hostile(lambda frame, _: [rtu(5, bytes((frame[1], 1, 0)))]) as server:
        link = await opened(link_of(server, strays))
        for function in range(256):
            pdu = bytes((function, 0, 0, 0, 1))
            with contextlib.nullcontext() if function in (1, 2, 3, 4) else pytest.raises(WriteRefused):
                await link.exchange(ask(pdu, timeout_s=0.2), STRICT)
        assert [frame[1] for frame in server.seen] == [1, 2, 3, 4]


async def test_a_late_frame_of_another_unit_does_not_stop_the_clock_of_the_open_request(
    hostile, strays, opened, ask
):
    """Found by fuzzing: the frame says more bytes than it has, so that only silence ends it. It settled at
    the open request's time-out, answered an older one, and the open request then waited for ever.
    """
    late = rtu(5, bytes.fromhex("031E0102030405060708"))  # 30 bytes announced, 8 come; the checksum is right

    async with hostile(lambda _, number: [] if number == 1 else [late]) as server:
        link = await opened(link_of(server, strays))
        first = await link.exchange(ask(timeout_s=0.12), STRICT)
        async with asyncio.timeout(20):
            second = await link.exchange(ask(unit=6, timeout_s=0.12), STRICT)
    assert (first.outcome, second.outcome) == (Outcome.NO_ANSWER, Outcome.NO_ANSWER)
    assert [stray.outcome for stray in strays] == [Outcome.LATE]
