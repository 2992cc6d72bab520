"""Decoders of frames on any bytes: an answer or FrameError, never a crash, nothing larger than the bytes."""

from __future__ import annotations

from hypothesis import example, given
from hypothesis import strategies as st

from probe.model.frames import announcement, arp, dcp, internet, lldp, stp
from probe.model.frames.ethernet import FrameError, encode
from probe.model.frames.seen import read

ETHERTYPES = st.sampled_from([0x0800, 0x0806, 0x86DD, 0x8892, 0x88CC, 0x88F7, 0x8100, 0x0026])
DECODERS = (
    arp.decode,
    lldp.decode,
    stp.decode,
    dcp.decode,
    internet.decode_v4,
    internet.decode_v6,
    announcement.router,
    announcement.ntp,
    announcement.ptp,
    announcement.dhcp,
)
LLDPDU = bytes.fromhex(
    "02070400005e005301040905706f72742d303031060200780a0453572d31fe0900120f01030000001e0000"
)
#: Good frames from which neighbours are made by changing, cutting and doubling bytes.
GOOD = (
    arp.request("02:00:5e:10:00:01", "192.0.2.9", "192.0.2.1"),
    dcp.identify_request("02:00:5e:10:00:01", 1),
    encode("01:80:c2:00:00:0e", "02:00:5e:10:00:01", 0x88CC, LLDPDU),
)


@given(st.binary(max_size=400))
@example(b"\x01\x00" * 200)
@example(bytes(400))
@example(b"\xff" * 400)
def test_every_decoder_survives_any_bytes(data: bytes) -> None:
    for decode in DECODERS:
        try:
            found = decode(data)
        except FrameError:
            continue
        assert len(str(found)) < 40 * (len(data) + 40)


@given(ETHERTYPES, st.binary(max_size=300))
def test_any_frame_is_read_or_refused(ethertype: int, payload: bytes) -> None:
    check(encode("01:80:c2:00:00:00", "02:00:5e:10:00:01", ethertype, payload))


@given(
    st.sampled_from(GOOD),
    st.lists(st.tuples(st.integers(12, 90), st.integers(0, 255)), max_size=6),
    st.data(),
)
def test_neighbours_of_good_frames(good: bytes, changes: list[tuple[int, int]], data: st.DataObject) -> None:
    frame = bytearray(good)
    for at, value in changes:
        if at < len(frame):
            frame[at] = value
    cut = data.draw(st.integers(0, len(frame)))
    check(bytes(frame[:cut] + frame[cut // 2 :] if cut % 2 else frame[:cut]))


def check(frame: bytes) -> None:
    try:
        found = read(frame)
    except FrameError:
        return
    assert found.keep > 0
    assert (found.content is None) or not found.trouble
    kept = frame[: found.keep]
    again = read(kept) if len(kept) >= 14 else found
    assert again.ethernet.source == found.ethernet.source
    if found.content is not None:
        assert again.content == found.content  # what a verdict rests on is kept whole
