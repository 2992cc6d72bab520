"""What we write is read by others: scapy and dpkt give the same bytes and times."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import dpkt
from scapy.utils import RawPcapNgReader

from probe.practice.packets import Connection, Packet, modbus, pcapng
from probe.wire.capture.pcapng import interface_block, packet_block, section_header, statistics_block
from probe.wire.capture.reading import read_capture

START_NS = 1_760_000_000_123_456_789
PACKETS = [
    Packet(
        START_NS + number * 1_000_000_007,
        Connection().say(modbus(number, 1, bytes(number + 1)), by_server=False),
    )
    for number in range(9)
]


def whole() -> bytes:
    """A file as a capture leaves it: with statistics at its end."""
    head = section_header("some system", "some program")
    head += interface_block("eth0", 1, 65_536, filtered="modbus or arp", bits_a_second=100_000_000)
    body = b"".join(packet_block(at, data, len(data) + 4) for at, data in PACKETS)
    return head + body + statistics_block(PACKETS[-1].wall_ns, 12, 3)


def test_scapy_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "made.pcapng"
    path.write_bytes(whole())
    with RawPcapNgReader(str(path)) as reader:
        seen = list(reader)
    assert [data for data, _ in seen] == [data for _, data in PACKETS]
    for (_, meta), packet in zip(seen, PACKETS, strict=True):
        assert meta.tsresol == 10**9
        assert (meta.tshigh << 32) + meta.tslow == packet.wall_ns
        assert meta.wirelen == len(packet.data) + 4


def test_dpkt_reads_it() -> None:
    seen = list(dpkt.pcapng.Reader(BytesIO(pcapng(PACKETS))))
    assert [data for _, data in seen] == [data for _, data in PACKETS]
    # dpkt gives seconds as a float (or decimal): no finer than a microsecond at this size.
    assert all(abs(float(at) * 1e9 - one.wall_ns) < 1000 for (at, _), one in zip(seen, PACKETS, strict=True))


def test_we_read_it_and_what_was_lost(tmp_path: Path) -> None:
    path = tmp_path / "made.pcapng"
    path.write_bytes(whole())
    figures = read_capture(path)
    assert figures.packets == 9
    assert figures.totals["first_ns"] == START_NS
    assert figures.totals["dropped_by_capture"] == 3
    assert figures.totals["truncated"] == 9
    assert figures.totals["link_bps"] == 100_000_000
