"""Targets: capture files of each format, through the kernel in its sandbox to the figures."""

from __future__ import annotations

import gzip
import io
import random
import re
import struct
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, cast

from probe.model.capture import CaptureFigures
from probe.wire.capture import layout
from probe.wire.capture.filtering import facets, parse_filter, words
from probe.wire.capture.pcapng import interface_block, packet_block, section_header, statistics_block
from probe.wire.capture.reading import Reader
from probe.wire.capture.source import Gzip
from tests.fuzz.mutate import any_bytes
from tests.fuzz.target import Target, need, refused
from tests.fuzz.targets.frames import frames_of_samples

_FORMATS = ("<", ">")


def _figures(pieces: Iterator[bytes] | list[bytes], size: int) -> CaptureFigures | None:
    reader = Reader((502,))
    for piece in pieces:
        if reader.ended:
            break
        reader.write(piece)
    reader.finish()
    if reader.totals()["status"] == layout.NOT_A_CAPTURE:
        return None
    totals = reader.totals()
    need(totals["packets"] * 8 <= size, f"{totals['packets']} packets in {size} bytes")
    return reader.figures("fuzz.pcapng", size)


def _compared(found: CaptureFigures | None) -> CaptureFigures | None:
    """Without the times of the peaks: of two seconds that were equally busy either may be named."""
    if found is None:
        return None
    totals = {name: one for name, one in found.totals.items() if not re.fullmatch("peak_.*_ns", name)}
    return replace(found, totals=totals)


def _capture(data: bytes) -> None:
    cut, data = (data[0] if data else 0), data[1:]
    whole = _figures([data], len(data))
    step = cut or 1
    parted = _figures([data[at : at + step] for at in range(0, len(data), step)], len(data))
    need(_compared(whole) == _compared(parted), f"other figures when the file comes in pieces: of {step}")
    if whole is not None:
        need(repr(whole), "figures without a text")


def _seeds() -> Iterator[bytes]:
    frames = frames_of_samples()
    blocks = [section_header("x", "y"), interface_block("eth0", 1, 1 << 18)]
    blocks += [
        packet_block(1_700_000_000_000_000_000 + 1000 * n, one, len(one)) for n, one in enumerate(frames[:12])
    ]
    yield b"\x07" + b"".join([*blocks, statistics_block(1_700_000_000_000_000_000, 12, 1)])
    for order in _FORMATS:
        for magic in (0xA1B2C3D4, 0xA1B23C4D):
            yield b"\x40" + _pcap(order, magic, frames[:6])
    for link in (0, 101, 113, 276, 12):
        yield b"\xff" + _pcap("<", 0xA1B2C3D4, frames[12:16], link)
    for first in range(0, len(frames), 8):
        yield b"\x20" + _pcap("<", 0xA1B2C3D4, frames[first : first + 8])


def _pcap(order: str, magic: int, frames: Any, link: int = 1) -> bytes:
    """A file of the classic format. Source: pcap, IETF draft draft-ietf-opsawg-pcap (from memory)."""
    made = [struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 65535, link)]
    for number, frame in enumerate(frames):
        made.append(
            struct.pack(order + "IIII", 1_700_000_000 + number, number, len(frame), len(frame)) + frame
        )
    return b"".join(made)


def _mutate(data: bytes, rng: random.Random) -> bytes:
    """Frames inside a classic file are changed, doubled, swapped and dropped; the file stays whole."""
    frames = _frames_in(data[1:])
    if not frames or rng.randrange(4) == 0:
        return any_bytes(data, rng)
    for _ in range(rng.choice((1, 2, 4))):
        at = rng.randrange(len(frames))
        match rng.randrange(6):
            case 0:
                frames.insert(at, rng.choice(frames_of_samples()))
            case 1:
                frames.insert(at, rng.choice(frames))
            case 2 if len(frames) > 1:
                del frames[at]
            case _:
                frames[at] = any_bytes(frames[at], rng)[:1600]
    return data[:1] + _pcap("<", 0xA1B2C3D4, frames[:24])


def _frames_in(data: bytes) -> list[bytes]:
    if data[:4] != b"\xd4\xc3\xb2\xa1":
        return []
    frames, at = [], 24
    while at + 16 <= len(data):
        size = int.from_bytes(data[at + 8 : at + 12], "little")
        if size > 4096:
            break
        frames.append(data[at + 16 : at + 16 + size])
        at += 16 + size
    return frames


class _Window:
    """A room of the size of the kernel's smallest."""

    def __init__(self, size: int) -> None:
        self.view = memoryview(bytearray(size))


def _gzip(data: bytes) -> None:
    room = _Window(1 + (data[0] if data else 0)).view
    body = data[1:]
    source = Gzip(cast("io.RawIOBase", io.BytesIO(body)))
    got, calls = bytearray(), 0
    while count := source.read(room):
        got += room[:count]
        calls += 1
        need(count <= len(room), "more than there is room for")
        if len(got) > 1 << 20:  # a bomb: what is held at once stays small, so far is enough
            return
    need(source.done <= len(body), "more bytes used than there are")
    if not source.cut and got:
        expected = io.BytesIO()
        try:
            expected.write(gzip.decompress(body))
        except (OSError, EOFError, ValueError):
            return  # padding that the library does not take
        need(bytes(got) == expected.getvalue(), "another inside than the library for gzip finds")


def _gzip_seeds() -> Iterator[bytes]:
    yield b"\x40" + gzip.compress(_pcap("<", 0xA1B2C3D4, frames_of_samples()[:3]), mtime=0)
    yield b"\x01" + gzip.compress(b"abc", mtime=0) + gzip.compress(b"def", mtime=0) + bytes(20)
    yield b"\xff" + gzip.compress(bytes(100_000), mtime=0)
    yield b"\x10" + gzip.compress(b"", mtime=0) * 3


def _filter(data: bytes) -> None:
    text, _, frame = data.partition(b"\n")
    words_given = text.decode("utf-8", "replace")
    test = refused(lambda: parse_filter(words_given), "")
    if test is not None:
        for link in (1, 101, 113, 276, 0):
            need(test(frame, link) in (True, False), "a filter that does not decide")
            need(facets(frame, link) is not None, "no facets")


_FILTERS = (
    "tcp port 502",
    "host 192.0.2.9 and not arp",
    "net 192.0.2.0/24 or vlan 100",
    "ether host 02:00:5e:10:00:01",
    "(udp or icmp) and not (port 53)",
    "ip6 and tcp",
    "",
)


def _filter_seeds() -> Iterator[bytes]:
    for text in _FILTERS:
        for frame in frames_of_samples()[:2]:
            yield text.encode() + b"\n" + frame


TARGETS = (
    Target(
        name="capture",
        promise="figures or a refusal; the same however the bytes come; memory is fixed",
        run=_capture,
        seeds=_seeds,
        mutate=_mutate,
        longest=12_000,
        share=2.0,
        calls=40,
    ),
    Target(
        name="capture_gzip",
        promise="any file ends; the inside is what Python's gzip finds; bombs are never held whole",
        run=_gzip,
        seeds=_gzip_seeds,
        longest=4096,
        calls=400,
    ),
    Target(
        name="capture_filter",
        promise="any filter is understood or refused at its place; a filter decides on any frame",
        run=_filter,
        seeds=_filter_seeds,
        words=tuple(word.encode() + b" " for word in words()),
        longest=1200,
        calls=1000,
    ),
)
