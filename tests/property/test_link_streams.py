"""However a stream is cut into segments, and whatever is in it, a link names the same and takes no lie.

The links are fed by hand here (no socket): TCP may deliver any stream in any segments.
"""

from __future__ import annotations

import asyncio
import itertools

from hypothesis import given, settings
from hypothesis import strategies as st

from probe.model.device_map import Target
from probe.model.evidence import Exchange, Framing, Outcome, Purpose, Stray
from probe.model.pdu import check_reply, pdu_of, read_request
from probe.model.profile import Quirks
from probe.wire import mbap, rtu
from probe.wire.connect import link_to
from probe.wire.link import Request
from probe.wire.system_clock import SystemClock

ASK = read_request(3, 107, 3)
GOOD = bytes.fromhex("0306022B00000064")
REQUEST = Request("T1", Purpose.POLL, 0, 1, 5, ASK, 60.0)


class Wire(asyncio.Transport):
    """Swallows what is sent."""

    def write(self, data: bytes) -> None:  # type: ignore[override]
        self.sent = bytes(data)

    def get_write_buffer_size(self) -> int:
        return 0

    def close(self) -> None:
        pass


def play(framing: Framing, segments: list[bytes]) -> tuple[Exchange, list[Stray]]:
    """The exchange and strays of one request whose answer comes in these segments, then the end."""
    strays: list[Stray] = []

    async def run() -> Exchange:
        link = link_to(Target("h", 1, 5, framing, None, ""), SystemClock(), strays.append)
        link._loop = asyncio.get_running_loop()  # type: ignore[attr-defined]
        link.connection_made(Wire())  # type: ignore[attr-defined]
        waiting = asyncio.ensure_future(link.exchange(REQUEST, Quirks()))
        await asyncio.sleep(0)
        for segment in segments:
            link.data_received(segment)  # type: ignore[attr-defined]
        link.connection_lost(None)  # type: ignore[attr-defined]
        return await waiting

    return asyncio.run(run()), strays


def cut(stream: bytes, places: list[int]) -> list[bytes]:
    ends = sorted({place % len(stream) for place in places} | {0, len(stream)})
    return [stream[a:b] for a, b in itertools.pairwise(ends)]


frame_pdus = st.one_of(st.just(GOOD), st.just(b"\x83\x02"), st.binary(min_size=1, max_size=12))
mbap_frames = st.builds(mbap.build, st.sampled_from([0, 1, 2, 900]), st.sampled_from([5, 9]), frame_pdus)
places = st.lists(st.integers(0, 10_000), max_size=12)


def gist(exchange: Exchange, strays: list[Stray]) -> tuple[object, ...]:
    return exchange.outcome, exchange.response, [(s.outcome, s.data) for s in strays]


@settings(max_examples=150, deadline=None)
@given(st.lists(mbap_frames, min_size=1, max_size=5), places)
def test_segments_make_no_difference_to_frames(frames, where):
    stream = b"".join(frames)
    assert gist(*play(Framing.MBAP, cut(stream, where))) == gist(*play(Framing.MBAP, [stream]))


@settings(max_examples=150, deadline=None)
@given(st.lists(mbap_frames, min_size=1, max_size=5))
def test_no_byte_of_frames_is_lost(frames):
    exchange, strays = play(Framing.MBAP, [b"".join(frames)])
    kept = sorted([*(s.data for s in strays), exchange.response])
    assert [data for data in kept if data] == sorted(frames)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=40), st.binary(max_size=12), st.sampled_from(list(Framing)))
def test_data_is_data_only_if_all_of_it_matches(noise, tail, framing):
    """Random bytes, mixed with parts of a right answer, are never data unless they are that answer."""
    good = mbap.build(1, 5, GOOD) if framing is Framing.MBAP else rtu.build(5, GOOD)
    for stream in (noise + tail, good[: len(noise)] + tail, noise[:3] + good + tail, good + tail):
        exchange, strays = play(framing, [stream] if stream else [])
        if exchange.outcome is Outcome.DATA:
            assert check_reply(ASK, pdu_of(exchange.response, framing))[0] is Outcome.DATA
            assert exchange.response[:2] in (b"\0\1", b"\5\3")
            assert stream.startswith(exchange.response) or strays
            if framing is Framing.RTU:
                assert rtu.is_whole(exchange.response)


@settings(max_examples=200, deadline=None)
@given(st.binary(min_size=1, max_size=250), st.integers(0, 255))
def test_rtu_frames_are_whole_and_measured(data, unit):
    frame = rtu.build(unit, data)
    assert rtu.is_whole(frame)
    size = rtu.reply_size(rtu.build(unit, bytes((3, len(data))) + data)) if len(data) <= 250 else 0
    assert size == len(data) + 5
