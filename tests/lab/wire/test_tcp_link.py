"""The strict Modbus TCP link against a server that commits each fault on purpose.

The faults are those of the project's own trials of client libraries; the rule behind each is
MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (header), and MODBUS Application Protocol
Specification V1.1b3, 6.3, 7 (byte count, exceptions). Frames are packed here, apart from
the codec under test.
"""

from __future__ import annotations

import asyncio
import contextlib
import struct

import pytest

from probe.model.device_map import Target
from probe.model.evidence import ConnectOutcome, Framing, Outcome
from probe.model.profile import Quirks
from probe.wire.allowed import WriteRefused
from probe.wire.link import Hold
from probe.wire.system_clock import SystemClock
from probe.wire.tcp_link import TcpLink

GOOD = bytes.fromhex("0306022B00000064")  # V1.1b3, 6.3: registers 555, 0, 100
STRICT = Quirks()
BRIEF_S = 0.12  # a time-out that is meant to pass


def adu(frame: bytes, pdu: bytes = GOOD, *, add: int = 0, to: int | None = None, **wrong: int) -> bytes:
    """An answer to the request frame; header fields differ where the test says so."""
    transaction = int.from_bytes(frame[:2], "big") + add if to is None else to
    size = wrong.get("length", 1 + len(pdu))
    return (
        struct.pack(">HHHB", transaction, wrong.get("protocol", 0), size, wrong.get("unit", frame[6])) + pdu
    )


def link_of(server, strays, clock=None) -> TcpLink:
    target = Target("127.0.0.1", server.port, 5, Framing.MBAP, None, "")
    return TcpLink(target, clock or SystemClock(), strays.append)


AT_ONCE = [
    ("data", GOOD, {}, Outcome.DATA),
    ("exception", b"\x83\x02", {}, Outcome.EXCEPTION),
    ("exception of another function", b"\x84\x02", {}, Outcome.WRONG_FUNCTION),
    ("exception without a code", b"\x83", {}, Outcome.SHORT),
    ("exception with two codes", b"\x83\x02\x00", {}, Outcome.LONG),
    ("one register of three", b"\x03\x02\x02\x2b", {}, Outcome.SHORT),
    ("function alone", b"\x03", {}, Outcome.SHORT),
    ("four registers of three", b"\x03\x08" + bytes(8), {}, Outcome.LONG),
    ("odd byte count", b"\x03\x05" + bytes(5), {}, Outcome.ODD),
    ("byte count says six, four follow", b"\x03\x06" + bytes(4), {}, Outcome.ODD),
    ("byte count says four, six follow", b"\x03\x04" + bytes(6), {}, Outcome.ODD),
    ("function 4 for 3", b"\x04\x06" + bytes(6), {}, Outcome.WRONG_FUNCTION),
    ("unit 9 for 5", GOOD, {"unit": 9}, Outcome.WRONG_UNIT),
    ("unit 0 for 5", GOOD, {"unit": 0}, Outcome.WRONG_UNIT),
]


@pytest.mark.parametrize(
    ("pdu", "wrong", "outcome"), [row[1:] for row in AT_ONCE], ids=[r[0] for r in AT_ONCE]
)
@pytest.mark.parametrize("way", ["whole", "byte by byte"])
async def test_right_id_ends_the_wait_at_once(hostile, strays, opened, ask, pdu, wrong, outcome, way):  # noqa: PLR0917
    def answer(frame, _):
        sent = adu(frame, pdu, **wrong)
        return [sent] if way == "whole" else [part for b in sent for part in (bytes([b]), 0.001)]

    async with hostile(answer) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(), STRICT)
        assert exchange.outcome is outcome
        assert exchange.exception_code == (2 if outcome is Outcome.EXCEPTION else 0)
        assert exchange.request == server.seen[0] == bytes.fromhex("00010000000605") + ask().pdu
        assert exchange.response == adu(exchange.request, pdu, **wrong)
        assert exchange.sent_ns <= exchange.received_ns
        assert exchange[:5] == ("U5", "poll", Framing.MBAP, 0, 1)
        assert link.is_open
        assert strays == []


OTHER_ID = [
    ("id 0 always", {"to": 0}),
    ("id + 1 always", {"add": 1}),
    ("id of another world", {"to": 0xBEEF}),
]


@pytest.mark.parametrize("wrong", [row[1] for row in OTHER_ID], ids=[row[0] for row in OTHER_ID])
async def test_another_id_is_wrong_transaction_at_the_time_out_never_data(
    hostile, strays, opened, ask, wrong
):
    async with hostile(lambda frame, _: [adu(frame, **wrong)]) as server:
        link = await opened(link_of(server, strays))
        for _ in range(3):
            exchange = await link.exchange(ask(timeout_s=BRIEF_S), STRICT)
            assert exchange.outcome is Outcome.WRONG_TRANSACTION
            assert exchange.response == adu(exchange.request, **wrong)
        assert link.is_open
        assert strays == []


async def test_right_answer_after_one_with_another_id_is_data_and_the_other_is_kept(
    hostile, strays, opened, ask
):
    other = b"\x03\x06" + b"\xff" * 6
    async with hostile(
        lambda frame, _: [adu(frame, other, to=0), adu(frame, other, to=900), adu(frame)]
    ) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(), STRICT)
        assert exchange.outcome is Outcome.DATA
        assert exchange.response[7:] == GOOD
        assert sorted(s.data for s in strays) == [adu(exchange.request, other, to=i) for i in (0, 900)]
        assert {s.outcome for s in strays} == {Outcome.UNASKED}
        assert {(s.host, s.tag) for s in strays} == {(link.name, "U5")}


async def test_frame_with_another_id_is_kept_also_if_the_answer_is_a_segment_of_its_own(
    hostile, strays, opened, ask, until
):
    async with hostile(lambda frame, _: [adu(frame, to=0), 0.05, adu(frame)]) as server:
        link = await opened(link_of(server, strays))
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        assert [(s.outcome, s.data[:2]) for s in strays] == [(Outcome.UNASKED, b"\0\0")]


async def test_an_answer_inside_another_frame_is_not_an_answer(hostile, strays, opened, ask):
    """A header that announces as many bytes as an answer has, then that answer as a segment of its own."""
    async with hostile(lambda frame, _: [adu(frame, b"", length=15)[:6], 0.05, adu(frame)]) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(), STRICT)
        assert exchange.outcome is Outcome.WRONG_UNIT  # the unit stands where the answer's id begins
        assert len(exchange.response) == 21


async def test_answer_to_a_request_given_up_is_late_and_the_next_gets_its_own(hostile, strays, opened, ask):
    old = b"\x03\x06" + b"\xee" * 6

    def answer(frame, count):
        return [] if count == 1 else [adu(server.seen[0], old), adu(frame)]

    async with hostile(answer) as server:
        link = await opened(link_of(server, strays))
        first = await link.exchange(ask(unit=4, timeout_s=BRIEF_S), STRICT)
        second = await link.exchange(ask(), STRICT)
        assert (first.outcome, first.response) == (Outcome.NO_ANSWER, b"")
        assert (second.outcome, second.response[7:]) == (Outcome.DATA, GOOD)
        assert [(s.outcome, s.data, s.tag) for s in strays] == [(Outcome.LATE, adu(first.request, old), "U4")]


async def test_late_answer_under_the_next_id_hits_nothing(hostile, strays, opened, ask):
    """A slow device that adds one to the id: the answer to the last request must not match the next."""
    old = b"\x03\x06" + b"\xee" * 6

    def answer(frame, count):
        return [] if count == 1 else [adu(server.seen[0], old, add=1), adu(frame)]

    async with hostile(answer) as server:
        link = await opened(link_of(server, strays))
        await link.exchange(ask(timeout_s=BRIEF_S), STRICT)
        assert (await link.exchange(ask(), STRICT)).response[7:] == GOOD
        assert [s.outcome for s in strays] == [Outcome.UNASKED]


async def test_second_answers_are_repeated_in_one_segment_and_later(hostile, strays, opened, ask, until):
    def answer(frame, count):
        return [adu(frame) * 2] if count == 1 else [adu(server.seen[0]), adu(frame)]

    async with hostile(answer) as server:
        link = await opened(link_of(server, strays))
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        await until(lambda: len(strays) == 1)
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        assert [s.outcome for s in strays] == [Outcome.REPEATED] * 2


async def test_a_late_answer_that_comes_twice_is_late_then_repeated(hostile, strays, opened, ask):
    async with hostile(
        lambda frame, count: [] if count == 1 else [adu(server.seen[0]) * 2, adu(frame)]
    ) as server:
        link = await opened(link_of(server, strays))
        await link.exchange(ask(timeout_s=BRIEF_S), STRICT)
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        assert [s.outcome for s in strays] == [Outcome.LATE, Outcome.REPEATED]


async def test_frames_between_requests_are_kept(hostile, strays, opened, ask, until):
    async with hostile(
        lambda frame, _: [adu(frame), 0.02, adu(frame, to=4000)[:5], 0.02, adu(frame, to=4000)[5:]]
    ) as s:
        link = await opened(link_of(s, strays))
        exchange = await link.exchange(ask(), STRICT)
        await until(lambda: strays)
        assert [(x.outcome, x.data) for x in strays] == [(Outcome.UNASKED, adu(exchange.request, to=4000))]
        assert link.is_open


NO_FRAME = [
    ("protocol id 1", lambda f: adu(f, protocol=1), Outcome.WRONG_PROTOCOL),
    ("protocol id 256", lambda f: adu(f, protocol=256), Outcome.WRONG_PROTOCOL),
    ("length 1", lambda f: adu(f, length=1), Outcome.BAD_FRAME),
    ("length 0", lambda f: adu(f, length=0), Outcome.BAD_FRAME),
    ("length 255", lambda f: adu(f, length=255), Outcome.BAD_FRAME),
    ("length 65535", lambda f: adu(f, length=65535), Outcome.BAD_FRAME),
    ("text", lambda f: b"HTTP/1.0 400 Bad Request\r\n\r\n", Outcome.BAD_FRAME),
    ("an RTU frame", lambda f: bytes.fromhex("050306022B0000006400000000"), Outcome.BAD_FRAME),
    ("an RTU exception", lambda f: bytes.fromhex("0583024131"), Outcome.BAD_FRAME),
    ("six bytes of hardware address first", lambda f: b"\x02\0\x5e\x10\0\1" + adu(f), Outcome.BAD_FRAME),
]


@pytest.mark.parametrize(("make", "outcome"), [row[1:] for row in NO_FRAME], ids=[row[0] for row in NO_FRAME])
@pytest.mark.parametrize("way", ["whole", "byte by byte"])
async def test_bytes_that_make_no_frame_are_kept_and_close_the_link(  # noqa: PLR0917
    hostile, strays, opened, ask, until, make, outcome, way
):
    def answer(frame, _):
        sent = make(frame)
        return [sent] if way == "whole" else [part for b in sent for part in (bytes([b]), 0.0002)]

    async with hostile(answer) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(), STRICT)
        assert exchange.outcome is outcome
        assert make(exchange.request).startswith(exchange.response)
        assert len(exchange.response) >= min(8, len(make(exchange.request)))
        assert not link.is_open
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.NOT_SENT
        assert len(server.seen) == 1
        disconnect = await link.close()
        assert (disconnect.by_peer, disconnect.requests) == (False, 1)
        assert strays == []


async def test_truncated_header_is_bad_frame_at_the_time_out(hostile, strays, opened, ask):
    async with hostile(lambda frame, _: [adu(frame)[:5]]) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(timeout_s=BRIEF_S), STRICT)
        assert (exchange.outcome, exchange.response) == (Outcome.BAD_FRAME, adu(exchange.request)[:5])
        assert not link.is_open


async def test_announced_length_that_never_comes_is_bad_frame(hostile, strays, opened, ask):
    async with hostile(lambda frame, _: [adu(frame, length=200)]) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(timeout_s=BRIEF_S), STRICT)
        assert (exchange.outcome, exchange.response) == (Outcome.BAD_FRAME, adu(exchange.request, length=200))


async def test_garbage_between_requests_is_a_stray_and_closes_the_link(hostile, strays, opened, ask, until):
    async with hostile(lambda frame, _: [adu(frame), b"garbage, not a frame"]) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(), STRICT)
        await until(lambda: strays)
        assert exchange.outcome is Outcome.DATA
        assert [(s.outcome, s.data) for s in strays] == [(Outcome.BAD_FRAME, b"garbage, not a frame")]
        assert not link.is_open


@pytest.mark.parametrize(
    ("step", "outcome"), [("close", Outcome.CLOSED), ("reset", Outcome.RESET)], ids=["close", "reset"]
)
async def test_the_other_side_ends_the_connection_while_we_wait(hostile, strays, opened, ask, step, outcome):
    async with hostile(lambda *_: [step]) as server:
        link = await opened(link_of(server, strays))
        assert (await link.exchange(ask(), STRICT)).outcome is outcome
        assert not link.is_open
        disconnect = await link.close()
        assert (disconnect.by_peer, disconnect.requests, disconnect.host) == (True, 1, link.name)
        assert await link.close() is None


async def test_half_an_answer_and_a_close_keeps_the_bytes(hostile, strays, opened, ask):
    async with hostile(lambda frame, _: [adu(frame)[:11], "close"]) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(), STRICT)
        assert (exchange.outcome, exchange.response) == (Outcome.BAD_FRAME, adu(exchange.request)[:11])


async def test_link_opens_again_after_its_end_and_ids_go_on(hostile, strays, opened, ask):
    async with hostile(lambda frame, count: ["close"] if count == 1 else [adu(frame)]) as server:
        link = await opened(link_of(server, strays))
        await link.exchange(ask(), STRICT)
        await link.close()
        connect = await link.open(20.0)
        exchange = await link.exchange(ask(), STRICT)
        assert (connect.outcome, exchange.outcome) == (ConnectOutcome.OPEN, Outcome.DATA)
        assert exchange.request[:2] == b"\0\2"
        assert server.connections == 2
        assert (await link.close()).requests == 1


async def test_close_is_orderly_also_while_an_answer_is_owed(hostile, strays, opened, ask, until):
    """With bytes that meet a closed socket the system would answer by a reset; the server sees FIN alone."""
    async with hostile(lambda frame, _: [0.15, adu(frame)]) as server:
        link = await opened(link_of(server, strays))
        await link.exchange(ask(timeout_s=0.05), STRICT)
        disconnect = await link.close()
        await until(lambda: server.ends)
        assert server.ends == ["FIN"]
        assert not disconnect.by_peer
        assert [s.outcome for s in strays] == [Outcome.LATE]


async def test_a_server_that_answers_when_it_sees_our_end_is_still_heard(strays, ask):
    """Our side is closed first, the socket kept for a moment: the owed answer comes as LATE."""

    async def serve(reader, writer):
        asked = await reader.readexactly(12)
        await reader.read()  # until our FIN
        writer.write(adu(asked))
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        target = Target("127.0.0.1", server.sockets[0].getsockname()[1], 5, Framing.MBAP, None, "")
        link = TcpLink(target, SystemClock(), strays.append)
        await link.open(20.0)
        await link.exchange(ask(timeout_s=0.05), STRICT)
        await link.close()
        assert [s.outcome for s in strays] == [Outcome.LATE]


async def test_a_part_of_a_frame_is_kept_when_the_link_closes(hostile, strays, opened, ask, until):
    async with hostile(lambda frame, _: [adu(frame), 0.02, b"\0\1\0\0\0"]) as server:
        link = await opened(link_of(server, strays))
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        await until(lambda: link._rest)
        await link.close()
        assert [(s.outcome, s.data) for s in strays] == [(Outcome.BAD_FRAME, b"\0\1\0\0\0")]


async def test_endless_garbage_is_cut_off(hostile, strays, opened, ask):
    """A babbling server: no silence will ever come, so what is kept has an end."""
    sent = []

    def babble(*_):
        for _ in range(300):
            sent.append(600)
            yield b"\xff" * 600
            yield 0.02

    async with hostile(babble) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(), STRICT)
        assert exchange.outcome is Outcome.BAD_FRAME
        assert 1024 <= len(exchange.response) <= 4096
        await link.close()
    assert len(sent) < 300


async def test_connect_says_which_interface_and_close_says_nothing_twice(hostile, strays, opened, ask):
    async with hostile(lambda frame, _: [adu(frame)]) as server:
        target = Target("127.0.0.1", server.port, 5, Framing.MBAP, None, "")
        link = TcpLink(target, SystemClock(), strays.append, local_address="127.0.0.9")
        connect = await link.open(20.0)
        assert connect.outcome is ConnectOutcome.OPEN
        assert connect.local.startswith("127.0.0.9:")
        with pytest.raises(RuntimeError):
            await link.open(20.0)
        assert (await link.close()).requests == 0
        assert await link.close() is None


async def test_quirks_accept_what_they_name_and_nothing_else(hostile, strays, opened, ask):
    no_id, no_unit = Quirks(transaction_not_echoed=True), Quirks(unit_not_echoed=True)
    async with hostile(lambda frame, _: [adu(frame, to=0, unit=7)]) as server:
        link = await opened(link_of(server, strays))
        both = Quirks(transaction_not_echoed=True, unit_not_echoed=True)
        assert (await link.exchange(ask(), both)).outcome is Outcome.DATA
        assert (await link.exchange(ask(), no_id)).outcome is Outcome.WRONG_UNIT
        assert (await link.exchange(ask(timeout_s=BRIEF_S), no_unit)).outcome is Outcome.WRONG_TRANSACTION
        assert link.is_open


async def test_without_ids_a_time_out_closes_the_link(hostile, strays, opened, ask):
    async with hostile(lambda *_: []) as server:
        link = await opened(link_of(server, strays))
        exchange = await link.exchange(ask(timeout_s=BRIEF_S), Quirks(transaction_not_echoed=True))
        assert exchange.outcome is Outcome.NO_ANSWER
        assert not link.is_open


async def test_cancelled_request_is_given_up_and_its_answer_late(hostile, strays, opened, ask, until):
    async with hostile(
        lambda frame, count: [] if count == 1 else [adu(server.seen[0]), adu(frame)]
    ) as server:
        link = await opened(link_of(server, strays))
        task = asyncio.create_task(link.exchange(ask(), STRICT))
        await until(lambda: server.seen)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
        assert [s.outcome for s in strays] == [Outcome.LATE]


async def test_second_request_in_flight_is_a_bug_of_the_caller(hostile, strays, opened, ask, until):
    async with hostile(lambda *_: []) as server:
        link = await opened(link_of(server, strays))
        task = asyncio.create_task(link.exchange(ask(), STRICT))
        await until(lambda: server.seen)
        with pytest.raises(RuntimeError, match="in flight"):
            await link.exchange(ask(), STRICT)
        await link.close()
        assert (await task).outcome is Outcome.NOT_SENT


async def test_timer_serves_shorter_and_longer_time_outs_in_turn(hostile, strays, opened, ask):
    """The one timer is set for the longest request first, and a shorter one must not wait for it."""
    async with hostile(lambda frame, count: [adu(frame)] if count == 1 else []) as server:
        link = await opened(link_of(server, strays))
        await link.exchange(ask(timeout_s=600.0), STRICT)
        async with asyncio.timeout(20):
            assert (await link.exchange(ask(timeout_s=0.05), STRICT)).outcome is Outcome.NO_ANSWER


async def test_timer_of_an_answered_request_does_not_end_the_next_one(hostile, strays, opened, ask):
    async with hostile(lambda frame, count: [adu(frame)] if count == 1 else [0.6, adu(frame)]) as server:
        link = await opened(link_of(server, strays))
        assert (await link.exchange(ask(timeout_s=0.3), STRICT)).outcome is Outcome.DATA
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA


async def test_ids_are_never_0_and_wrap_to_1(hostile, strays, opened, ask):
    async with hostile(lambda frame, _: [adu(frame)]) as server:
        link = await opened(link_of(server, strays))
        link._transaction = 0xFFFE  # 65,534 exchanges before would take seconds
        ids = [(await link.exchange(ask(), STRICT)).request[:2].hex() for _ in range(3)]
        assert ids == ["ffff", "0001", "0002"]


async def test_no_function_outside_the_list_leaves_the_socket(hostile, strays, opened, ask):
    """All 256 codes with five harmless-looking bytes: the server sees the four reads alone."""
    async with hostile(lambda frame, _: [adu(frame, bytes((frame[7], 1, 0)))]) as server:
        link = await opened(link_of(server, strays))
        for function in range(256):
            pdu = bytes((function, 0, 0, 0, 1))
            with contextlib.nullcontext() if function in (1, 2, 3, 4) else pytest.raises(WriteRefused):
                await link.exchange(ask(pdu), STRICT)
        assert [frame[7] for frame in server.seen] == [1, 2, 3, 4]


class Following:
    """A ``follow`` that wants the same again until it has seen so many answers; the first one is held."""

    def __init__(self, request, most: int) -> None:
        self.request = request
        self.most = most
        self.seen = []
        self.held = asyncio.Event()

    def __call__(self, exchange):
        self.seen.append(exchange)
        if len(self.seen) == 1:
            self.held.set()
            return Hold.HOLD
        return self.request if len(self.seen) < self.most else None


async def test_a_held_conversation_ends_with_its_last_answer_when_the_device_hangs_up(
    hostile, strays, opened, ask
):
    """What would follow is not sent, and whoever follows can tell: it has seen that very answer."""
    async with hostile(lambda frame, _: [adu(frame), "close"]) as server:
        link = await opened(link_of(server, strays))
        follow = Following(ask(), 3)
        last = await link.converse(ask(), STRICT, follow)
        link.resume(ask())  # too late, and no harm
        assert len(server.seen) == 1
    assert last.outcome is Outcome.DATA
    assert not link.is_open
    assert len(follow.seen) == 1
    assert follow.seen[0] is last


async def test_what_comes_while_a_conversation_is_held_is_no_answer(hostile, strays, opened, ask):
    async with hostile(lambda frame, _: [adu(frame)]) as server:
        link = await opened(link_of(server, strays))
        follow = Following(ask(), 3)
        talk = asyncio.ensure_future(link.converse(ask(), STRICT, follow))
        await follow.held.wait()
        link.data_received(follow.seen[0].response)
        link.resume(ask())
        last = await talk
    assert [one.outcome for one in follow.seen] == [Outcome.DATA] * 3
    assert last is follow.seen[-1]
    assert [int.from_bytes(frame[:2], "big") for frame in server.seen] == [1, 2, 3]
    assert [int.from_bytes(one.response[:2], "big") for one in follow.seen] == [1, 2, 3]
    assert [stray.outcome for stray in strays] == [Outcome.REPEATED]


@pytest.mark.parametrize("how", ["cancelled", "told to end"])
async def test_a_held_conversation_that_ends_sends_nothing_more(hostile, strays, opened, ask, how):
    async with hostile(lambda frame, _: [adu(frame)]) as server:
        link = await opened(link_of(server, strays))
        follow = Following(ask(), 3)
        talk = asyncio.ensure_future(link.converse(ask(), STRICT, follow))
        await follow.held.wait()
        if how == "cancelled":
            talk.cancel()
        else:
            link.resume(None)
        (last,) = await asyncio.gather(talk, return_exceptions=True)
        assert isinstance(last, asyncio.CancelledError) if how == "cancelled" else last is follow.seen[0]
        link.resume(ask())
        assert (await link.exchange(ask(), STRICT)).outcome is Outcome.DATA
    assert [int.from_bytes(frame[:2], "big") for frame in server.seen] == [1, 2]


async def test_a_write_is_refused_on_every_way_into_a_conversation(hostile, strays, opened, ask):
    """Source: docs/decisions (read-only by construction); function 6 writes a register."""
    async with hostile(lambda frame, _: [adu(frame)]) as server:
        link = await opened(link_of(server, strays))
        follow = Following(ask(), 3)
        talk = asyncio.ensure_future(link.converse(ask(), STRICT, follow))
        await follow.held.wait()
        link.resume(ask(bytes.fromhex("0600010003")))
        with pytest.raises(WriteRefused):
            await talk
        follow.request = ask(bytes.fromhex("0600010003"))
        with pytest.raises(WriteRefused):
            await link.converse(ask(), STRICT, follow)
    assert {frame[7] for frame in server.seen} == {3}
