"""pcapng as we write it: little endian, nanoseconds, one interface a file. Bytes only.

Source: pcapng, IETF draft draft-ietf-opsawg-pcapng (from memory; read back by
independent readers in the tests).

    +------+--------+ body, padded to 4 bytes +--------+
    | type | length |                         | length |
    +------+--------+-------------------------+--------+
"""

from __future__ import annotations

import struct

_SECTION, _INTERFACE, _PACKET, _STATISTICS = 0x0A0D0D0A, 1, 6, 5
_PACKET_HEAD = struct.Struct("<7I")
_ORDER_MARK = 0x1A2B3C4D
_NANOSECONDS = 9
ETHERNET, RAW_IP = 1, 101


def section_header(system: str, program: str) -> bytes:
    """The block that begins a file."""
    body = struct.pack("<IHHq", _ORDER_MARK, 1, 0, -1)
    return _block(_SECTION, body + _options((3, system.encode()), (4, program.encode())))


def interface_block(
    name: str, link: int, longest: int, *, filtered: str = "", bits_a_second: int = 0
) -> bytes:
    """The block that describes the interface; longest: bytes of a frame that are kept."""
    options: list[tuple[int, bytes]] = [(2, name.encode()), (9, bytes([_NANOSECONDS]))]
    if filtered:
        options.append((11, b"\0" + filtered.encode()))
    if bits_a_second:
        options.append((8, struct.pack("<Q", bits_a_second)))
    return _block(_INTERFACE, struct.pack("<HHI", link, 0, longest) + _options(*options))


def packet_block(wall_ns: int, data: bytes, wire: int) -> bytes:
    """One frame. wire: its length on the wire."""
    padding = -len(data) % 4
    size = 32 + len(data) + padding
    head = _PACKET_HEAD.pack(
        _PACKET, size, 0, wall_ns >> 32 & 0xFFFFFFFF, wall_ns & 0xFFFFFFFF, len(data), wire
    )
    return b"".join((head, data, bytes(padding), size.to_bytes(4, "little")))


def statistics_block(wall_ns: int, received: int, dropped: int) -> bytes:
    """The block that ends a file: frames that came, and those that were lost."""
    body = struct.pack("<III", 0, wall_ns >> 32 & 0xFFFFFFFF, wall_ns & 0xFFFFFFFF)
    counts = ((4, struct.pack("<Q", received)), (5, struct.pack("<Q", dropped)))
    return _block(_STATISTICS, body + _options(*counts))


def _options(*pairs: tuple[int, bytes]) -> bytes:
    parts = [
        struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)
        for code, value in pairs
        if value
    ]
    return b"".join(parts) + bytes(4)


def _block(kind: int, body: bytes) -> bytes:
    size = (12 + len(body)).to_bytes(4, "little")
    return kind.to_bytes(4, "little") + size + body + size
