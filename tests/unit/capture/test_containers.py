"""Every form of file gives the same figures; what is cut or damaged says so, and what is before counts."""

from __future__ import annotations

import gzip
import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from probe.model.capture import CaptureFigures, Ending
from probe.model.errors import InputError
from probe.practice import packets
from probe.practice.packets import NANO, Connection, Packet, modbus
from probe.wire.capture.reading import Reader, read_capture

Figures = Callable[[bytes], CaptureFigures]
START_NS = 1_760_000_000_123_456_000
READ = bytes((3, 0, 100, 0, 2))
DATA = bytes((3, 4, 0, 1, 0, 2))


def polls(count: int = 20, vlans: tuple[int, ...] = (), reply_ns: int = 7_000_000) -> list[Packet]:
    """So many requests with their answers, one a second."""
    connection = Connection(vlans=vlans)
    found = []
    for number in range(count):
        at = START_NS + number * 1_000_000_000
        found.append(Packet(at, connection.say(modbus(number, 1, READ), by_server=False)))
        found.append(Packet(at + reply_ns, connection.say(modbus(number, 1, DATA), by_server=True)))
    return found


def essence(figures: CaptureFigures) -> tuple[object, ...]:
    """What must be alike whatever the container."""
    totals = figures.totals
    return (totals["packets"], totals["matched"], figures.reply, totals["first_ns"], totals["last_ns"])


FORMS = {
    "little endian, microseconds": packets.pcap(polls()),
    "big endian, microseconds": packets.pcap(polls(), order=">"),
    "little endian, nanoseconds": packets.pcap(polls(), magic=NANO),
    "big endian, nanoseconds": packets.pcap(polls(), magic=NANO, order=">"),
    "pcapng": packets.pcapng(polls()),
    "gzip": gzip.compress(packets.pcapng(polls())),
    "gzip of two members": gzip.compress(packets.pcapng(polls())[:1000])
    + gzip.compress(packets.pcapng(polls())[1000:]),
    "gzip with padding": gzip.compress(packets.pcap(polls())) + bytes(512),
    "tagged": packets.pcap(polls(vlans=(10,))),
    "tagged three times": packets.pcap(polls(vlans=(10, 20, 30))),
}


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_figures(form: str, figures: Figures) -> None:
    seen = figures(FORMS[form])
    assert seen.ending is Ending.WHOLE
    assert essence(seen)[:2] == (40, 20)
    assert seen.reply is not None
    assert (seen.reply.least_ns, seen.reply.most_ns) == (7_000_000, 7_000_000)
    assert essence(seen)[3:] == (START_NS, START_NS + 19_007_000_000)


def cooked(frame: bytes, *, second: bool) -> bytes:
    """The same payload as a Linux cooked frame. Source: LINKTYPE_LINUX_SLL and SLL2 (from memory)."""
    hardware = frame[6:12] + b"\0\0"
    if second:
        return frame[12:14] + bytes(2) + struct.pack(">IHBB", 2, 1, 0, 6) + hardware + frame[14:]
    return struct.pack(">HHH", 0, 1, 6) + hardware + frame[12:14] + frame[14:]


@pytest.mark.parametrize(
    ("link", "change"),
    [
        (113, lambda frame: cooked(frame, second=False)),
        (276, lambda frame: cooked(frame, second=True)),
        (101, lambda frame: frame[14:]),
        (0, lambda frame: struct.pack("<I", 2) + frame[14:]),
    ],
    ids=["cooked", "cooked 2", "raw IP", "loopback"],
)
def test_other_links(link: int, change: Callable[[bytes], bytes], figures: Figures) -> None:
    changed = [Packet(at, change(frame)) for at, frame in polls()]
    seen = figures(packets.pcap(changed, link=link))
    assert seen.totals["matched"] == 20
    assert seen.totals["unread_link"] == 0


def test_a_link_that_nobody_knows_is_counted(figures: Figures) -> None:
    seen = figures(packets.pcap(polls(), link=147))
    assert seen.totals["unread_link"] == 40
    assert [(one.layer, one.number) for one in seen.protocols] == [("link", 147)]


@pytest.mark.parametrize("cut", [25, 30, 39, 41, 101, 1003, 3001])
@pytest.mark.parametrize("form", ["little endian, microseconds", "pcapng"])
def test_a_cut_file_is_read_up_to_the_cut(form: str, cut: int, figures: Figures) -> None:
    seen = figures(FORMS[form][:cut])
    assert seen.ending is Ending.CUT_SHORT
    assert 0 <= seen.packets < 40
    whole = figures(FORMS[form])
    assert whole.packets == 40
    assert seen.damaged_at == cut


def test_a_cut_gzip_is_read_up_to_the_cut(figures: Figures) -> None:
    seen = figures(gzip.compress(packets.pcap(polls(4000)))[:-2000])
    assert seen.ending is Ending.CUT_SHORT
    assert seen.packets > 100


@pytest.mark.parametrize("form", ["little endian, microseconds", "pcapng"])
def test_a_damaged_file_is_read_up_to_the_damage(form: str, figures: Figures) -> None:
    data = bytearray(FORMS[form])
    at = 24 + 5 * (82 + 83) if form != "pcapng" else data.index(b"\x06\0\0\0", 1000)
    data[at + (8 if form != "pcapng" else 4) : at + (12 if form != "pcapng" else 8)] = b"\xff\xff\xff\x7f"
    seen = figures(bytes(data))
    assert seen.ending is Ending.DAMAGED
    assert seen.damaged_at == at
    assert 0 < seen.packets < 40


def test_a_foreign_block_of_any_size_is_passed_over(figures: Figures) -> None:
    head, rest = packets.pcapng([]), packets.pcapng(polls())[len(packets.pcapng([])) :]
    size = (3 << 20) + 12
    block = struct.pack("<II", 0x0BAD, size) + bytes(size - 12) + struct.pack("<I", size)
    assert figures(head + block + rest).totals["matched"] == 20


def test_sections_follow_each_other(figures: Figures) -> None:
    """As a program writes that appends a capture to another."""
    seen = figures(FORMS["pcapng"] + packets.pcapng(polls(5)))
    assert seen.packets == 50
    assert seen.totals["sections"] == 2


@pytest.mark.parametrize("step", [1, 7, 13, 64, 1000])
@pytest.mark.parametrize("form", sorted(FORMS))
def test_the_figures_do_not_hang_on_how_the_bytes_come(form: str, step: int) -> None:
    """Found by fuzzing: a section was counted each time that its first block was looked at."""
    data = FORMS[form] + (packets.pcapng(polls(2)) if form == "pcapng" else b"")

    def taken(pieces: list[bytes]) -> CaptureFigures:
        reader = Reader((502,))
        for piece in pieces:
            reader.write(piece)
        reader.finish()
        return reader.figures("a", len(data))

    assert taken([data]) == taken([data[at : at + step] for at in range(0, len(data), step)])


@pytest.mark.parametrize("data", [b"", b"\xd4\xc3\xb2\xa1", b"<?xml version='1.0'?>" * 9, bytes(4096)])
def test_what_is_no_capture_says_so(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_capture(path)
    (problem,) = caught.value.problems
    assert problem.file == str(path)
    assert "first bytes" in problem.found
    assert "pcapng" in problem.allowed


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_capture(tmp_path / "none.pcap")


def test_frames_shorter_than_the_wire_are_told(figures: Figures) -> None:
    data = bytearray(packets.pcap(polls(1)))
    data[24 + 12 : 24 + 16] = struct.pack("<I", 1500)
    seen = figures(bytes(data))
    assert seen.totals["truncated"] == 1
    assert seen.totals["wire_bytes"] == 1500 + 67


def test_time_steps_of_an_interface(figures: Figures) -> None:
    """Powers of two are allowed, too: 2^-20 s here."""
    ticks = 1_760_000_000 << 20
    head = struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
    options = struct.pack("<HHB3xI", 9, 1, 0x80 | 20, 0)
    size = 20 + len(options)
    interface = struct.pack("<IIHHI", 1, size, 1, 0, 0) + options + struct.pack("<I", size)
    frame = polls(1)[0].data + bytes(3)
    stamp, size = ticks + (1 << 19), len(frame) - 3
    body = struct.pack("<5I", 0, stamp >> 32, stamp & 0xFFFFFFFF, size, size)
    frame = frame[: (size + 3) & ~3]
    block = struct.pack("<II", 6, 32 + len(frame)) + body + frame + struct.pack("<I", 32 + len(frame))
    assert figures(head + interface + block).totals["first_ns"] == 1_760_000_000_500_000_000
