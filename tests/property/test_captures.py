"""Captures: however the bytes were cut into segments and windows, the transactions are the same; and no bytes
at all make the reader fail, hang or grow."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probe.model.capture import CaptureFigures
from probe.model.errors import InputError
from probe.practice import packets
from probe.practice.packets import ACK, SYN, Connection, Packet, modbus
from probe.wire.capture import layout
from probe.wire.capture.filtering import facets, parse_filter
from probe.wire.capture.reading import Reader

MS = 1_000_000
START_NS = 1_760_000_000 * 1000 * MS
SETTINGS = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def figures_of(data: bytes, chunks: random.Random | None = None) -> CaptureFigures:
    """The figures of a capture given in one piece, or in pieces of any size."""
    reader = Reader((502,))
    at = 0
    while at < len(data):
        step = chunks.randint(1, max(len(data) // 3, 1)) if chunks else len(data)
        reader.write(data[at : at + step])
        at += step
    reader.finish()
    return reader.figures("made", len(data))


def transactions(seen: CaptureFigures) -> tuple[object, ...]:
    """What must not depend on how bytes were cut."""
    totals = seen.totals
    counts = tuple(totals[name] for name in ("requests_seen", "responses_seen", "matched", "exceptions"))
    per_unit = tuple((one.unit, one.requests, one.matched, one.exception_codes) for one in seen.devices)
    writes = tuple(
        (one.function, one.attempts, one.done, one.refused, one.low, one.high) for one in seen.writes
    )
    return (*counts, per_unit, writes, seen.functions)


REQUESTS = st.sampled_from(
    [
        (bytes((3, 0, 100, 0, 2)), bytes((3, 4, 0, 1, 0, 2))),
        (bytes((3, 0, 100, 0, 125)), bytes((3, 250)) + bytes(250)),
        (bytes((6, 0, 7, 0, 1)), bytes((6, 0, 7, 0, 1))),
        (bytes((16, 0, 9, 0, 2, 4, 0, 1, 0, 2)), bytes((16, 0, 9, 0, 2))),
        (bytes((43, 14, 1, 0)), bytes((43, 14, 1, 1, 0, 0, 1, 0, 1, 65))),
        (bytes((4, 0, 0, 0, 1)), bytes((0x84, 2))),
    ]
)
TALK = st.lists(st.tuples(REQUESTS, st.integers(1, 3)), min_size=1, max_size=12)


def told(talk: list[tuple[tuple[bytes, bytes], int]], burst: int) -> list[tuple[bool, bytes]]:
    """The streams of both sides, in turns: so many requests, then their answers."""
    turns = []
    for first in range(0, len(talk), burst):
        group = list(enumerate(talk[first : first + burst], first))
        turns.append((False, b"".join(modbus(number, unit, pdus[0]) for number, (pdus, unit) in group)))
        turns.append((True, b"".join(modbus(number, unit, pdus[1]) for number, (pdus, unit) in group)))
    return turns


def capture(turns: list[tuple[bool, bytes]], cut: random.Random, trouble: float) -> list[Packet]:
    """The turns as segments of any size; with trouble some come twice, or after the one behind them."""
    wire = Connection()
    frames = [wire.say(b"", by_server=False, flags=SYN), wire.say(b"", by_server=True, flags=SYN | ACK)]
    for by_server, data in turns:
        pieces = []
        at = 0
        while at < len(data):
            size = cut.choice((1, 2, 5, 7, 8, 11, 40, 600, 1400))
            pieces.append(data[at : at + size])
            at += size
        segments = []
        for piece in pieces:
            me, other = (wire.server, wire.client) if by_server else (wire.client, wire.server)
            place = (me.next, other.next, piece)
            segments.append((place, wire.say(piece, by_server=by_server)))
        for number in range(len(segments) - 1):
            if cut.random() < trouble:
                segments[number], segments[number + 1] = segments[number + 1], segments[number]
        for (seq, ack, piece), frame in segments:
            frames.append(frame)
            if cut.random() < trouble:
                frames.append(wire.segment(seq, ack, piece, by_server=by_server))
    return [Packet(START_NS + number * 5 * MS, frame) for number, frame in enumerate(frames)]


@SETTINGS
@given(
    talk=TALK, burst=st.integers(1, 4), seed=st.integers(0, 2**32 - 1), trouble=st.sampled_from([0, 0.2, 0.5])
)
def test_segments_cut_anyhow_give_the_same_transactions(
    talk: list[tuple[tuple[bytes, bytes], int]], burst: int, seed: int, trouble: float
) -> None:
    turns = told(talk, burst)
    cut = random.Random(seed)
    whole = figures_of(packets.pcapng(capture(turns, random.Random(1), 0)))
    assert whole.totals["matched"] == len(talk)
    seen = figures_of(packets.pcapng(capture(turns, cut, trouble)), cut)
    assert transactions(seen) == transactions(whole)
    assert seen.totals["holes_skipped"] == 0


@SETTINGS
@given(talk=TALK, seed=st.integers(0, 2**32 - 1), order=st.sampled_from("<>"))
def test_windows_of_any_size_give_the_same_figures(
    talk: list[tuple[tuple[bytes, bytes], int]], seed: int, order: str
) -> None:
    data = packets.pcap(capture(told(talk, 2), random.Random(seed), 0.2), order=order)
    assert figures_of(data, random.Random(seed)) == figures_of(data)


@SETTINGS
@given(talk=TALK, lost=st.sets(st.integers(2, 40), max_size=4))
def test_what_the_capture_lost_is_never_answered_by_another(
    talk: list[tuple[tuple[bytes, bytes], int]], lost: set[int]
) -> None:
    """Frames left out: fewer transactions, but none that was not there, and no time longer than the truth."""
    frames = capture(told(talk, 1), random.Random(1), 0)
    seen = figures_of(packets.pcapng([one for number, one in enumerate(frames) if number not in lost]))
    assert seen.totals["matched"] <= len(talk)
    assert seen.totals["negative"] == 0
    whole = figures_of(packets.pcapng(frames))
    if seen.reply is not None and whole.reply is not None:
        assert seen.reply.most_ns <= whole.reply.most_ns


@SETTINGS
@given(
    data=st.binary(max_size=400),
    container=st.sampled_from(["pcap", "pcapng", "bare"]),
    link=st.integers(0, 300),
)
def test_no_bytes_make_the_reader_fail(data: bytes, container: str, link: int) -> None:
    made = {
        "pcap": lambda: packets.pcap([Packet(START_NS, data)] * 3, link=link),
        "pcapng": lambda: packets.pcapng([Packet(START_NS, data)] * 3, link=link),
        "bare": lambda: packets.pcapng([])[: len(data) % 60] + data,
    }[container]()
    seen = figures_of(made)
    assert seen.totals["status"] != layout.RUNNING
    assert seen.packets <= 3 + len(data) // 12


TYPES = st.sampled_from([0x0800, 0x86DD, 0x0806, 0x8100, 0x88A8, 0x88CC, 0x8892, 0x88E3, 0x88FB, 38, 1500])


@SETTINGS
@given(
    bodies=st.lists(st.tuples(TYPES, st.binary(max_size=120)), min_size=1, max_size=20),
    groups=st.sampled_from(["0180c2000000", "0180c200000e", "ffffffffffff", "02005e100002"]),
)
def test_malformed_frames_of_every_protocol(bodies: list[tuple[int, bytes]], groups: str) -> None:
    frames = [
        bytes.fromhex(groups + "02005e100001") + kind.to_bytes(2, "big") + body for kind, body in bodies
    ]
    seen = figures_of(packets.pcapng([Packet(START_NS, frame) for frame in frames]))
    assert seen.packets == len(frames)
    assert len(seen.neighbours) <= len(frames)


@SETTINGS
@given(st.data())
def test_a_good_capture_spoiled_anywhere(data: st.DataObject) -> None:
    talk = data.draw(TALK)
    good = bytearray(packets.pcapng(capture(told(talk, 2), random.Random(3), 0.2)))
    for _ in range(data.draw(st.integers(1, 30))):
        good[data.draw(st.integers(0, len(good) - 1))] = data.draw(st.integers(0, 255))
    try:
        seen = figures_of(bytes(good))
    except InputError:
        return
    totals = seen.totals
    assert totals["matched"] <= min(totals["requests_seen"], totals["responses_seen"])
    assert sum(one.frames for one in seen.talkers) <= seen.packets


@given(st.binary(max_size=300))
def test_filters_take_any_frame(data: bytes) -> None:
    facets(data, 1)
    facets(data, 101)


@given(st.text(max_size=80))
def test_no_filter_text_makes_the_parser_fail(text: str) -> None:
    try:
        test = parse_filter(text)
    except InputError as error:
        (problem,) = error.problems
        assert problem.column >= 1
        assert problem.allowed
        return
    if test is not None:
        test(bytes(60), 1)


SHARED = Path(__file__).parents[3] / "shared" / "captures"


@pytest.mark.skipif(not SHARED.is_dir(), reason="the folder shared/captures is not beside this repository")
@settings(max_examples=40, deadline=None)
@given(st.data())
def test_real_captures_spoiled(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from(sorted(SHARED.glob("*.pcap*"))))
    good = bytearray(path.read_bytes()[:60_000])
    seed = random.Random(data.draw(st.integers(0, 2**32 - 1)))
    for _ in range(seed.choice((1, 10, 100, 1000))):
        good[seed.randrange(24, len(good))] = seed.choice((0, 255, seed.randrange(256)))
    seen = figures_of(bytes(good), seed)
    assert seen.totals["matched"] <= min(seen.totals["requests_seen"], seen.totals["responses_seen"])
