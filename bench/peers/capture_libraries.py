"""Peers of the reader of captures: python capture_libraries.py WAY FILE LIMIT

The same small task as the C loop (requests matched to answers by connection, transaction id, unit and
function; median), by ways that people take in Python. Prints packets, matched, median in ms, CPU seconds.
"""

from __future__ import annotations

import statistics
import struct
import sys
import time
from itertools import islice
from pathlib import Path
from typing import Any

WINDOW = 1 << 20


class Matcher:
    """Requests and answers, one by one."""

    def __init__(self) -> None:
        self.packets = 0
        self.open: dict[Any, float] = {}
        self.times: list[float] = []

    def see(self, way: tuple[Any, Any, int, int], data: bytes, at: float) -> None:
        """way: source, target, source port, target port."""
        if len(data) < 8 or data[2] | data[3]:
            return
        source, target, sport, dport = way
        ids = (data[:2], data[6], data[7] & 127)
        if dport == 502:
            self.open[source, target, sport, ids] = at
        elif sport == 502:
            asked = self.open.pop((target, source, dport, ids), None)
            if asked is not None:
                self.times.append(at - asked)


def pure(path: str, limit: int) -> Matcher:
    """``struct`` over windows of the file."""
    told = Matcher()
    with Path(path).open("rb") as file:
        file.read(24)
        rest = b""
        while told.packets < limit and (new := file.read(WINDOW)):
            window, at = rest + new, 0
            while at + 16 <= len(window):
                seconds, micro, size, _ = struct.unpack_from("<IIII", window, at)
                if at + 16 + size > len(window):
                    break
                frame = window[at + 16 : at + 16 + size]
                at += 16 + size
                told.packets += 1
                if frame[12:14] == b"\x08\0" and frame[23] == 6:
                    tcp = 14 + (frame[14] & 15) * 4
                    sport, dport = struct.unpack_from(">HH", frame, tcp)
                    body = frame[tcp + (frame[tcp + 12] >> 4) * 4 :]
                    told.see((frame[26:30], frame[30:34], sport, dport), body, seconds + micro * 1e-6)
            rest = window[at:]
    return told


def dpkt_way(path: str, limit: int) -> Matcher:
    """dpkt with its Ethernet, IP and TCP layers."""
    import dpkt

    told = Matcher()
    with Path(path).open("rb") as file:
        for at, data in islice(dpkt.pcap.Reader(file), limit):
            told.packets += 1
            packet = dpkt.ethernet.Ethernet(data)
            tcp = packet.data.data
            told.see((packet.data.src, packet.data.dst, tcp.sport, tcp.dport), bytes(tcp.data), at)
    return told


def scapy_raw(path: str, limit: int) -> Matcher:
    """scapy's raw reader, fields by hand."""
    from scapy.utils import RawPcapReader

    told = Matcher()
    for frame, meta in islice(RawPcapReader(path), limit):
        told.packets += 1
        sport, dport = struct.unpack_from(">HH", frame, 34)
        told.see((frame[26:30], frame[30:34], sport, dport), frame[54:], meta.sec + meta.usec * 1e-6)
    return told


def scapy_full(path: str, limit: int) -> Matcher:
    """scapy with all its layers."""
    from scapy.layers.inet import IP, TCP
    from scapy.utils import PcapReader

    told = Matcher()
    with PcapReader(path) as reader:
        for packet in islice(reader, limit):
            told.packets += 1
            ip, tcp = packet[IP], packet[TCP]
            told.see((ip.src, ip.dst, tcp.sport, tcp.dport), bytes(tcp.payload), float(packet.time))
    return told


def numpy_windows(path: str, limit: int) -> Matcher:
    """numpy over windows: places of records by a loop, fields by gathering, pairs by sorting."""
    import numpy as np

    told = Matcher()
    times: list[Any] = []
    with Path(path).open("rb") as file:
        file.read(24)
        rest = b""
        while told.packets < limit and (new := file.read(WINDOW)):
            window, at, places = rest + new, 0, []
            while at + 16 <= len(window):
                size = int.from_bytes(window[at + 8 : at + 12], "little")
                if at + 16 + size > len(window):
                    break
                places.append(at)
                at += 16 + size
            rest = window[at:]
            raw, at_ = np.frombuffer(window, np.uint8), np.array(places)
            told.packets += len(places)

            def word(offset: int, size: int, raw: Any = raw, at_: Any = at_) -> Any:
                value = raw[at_ + offset].astype(np.int64)
                for step in range(1, size):
                    value = value << 8 | raw[at_ + offset + step]
                return value

            tcp = (word(28, 2) == 0x0800) & (word(39, 1) == 6) & (word(72, 2) == 0)
            stamp = word(3, 1) << 24 | word(2, 1) << 16 | word(1, 1) << 8 | word(0, 1)
            micro = word(7, 1) << 24 | word(6, 1) << 16 | word(5, 1) << 8 | word(4, 1)
            when = stamp * 1_000_000 + micro
            sport, dport = word(50, 2), word(52, 2)
            asks = tcp & (dport == 502)
            client = np.where(asks, word(42, 4) ^ word(46, 4), word(46, 4) ^ word(42, 4))
            key = client << 24 ^ np.where(asks, sport, dport) << 32 ^ word(70, 2) << 8 ^ (word(77, 1) & 127)
            order = np.lexsort((when, key))
            key, when, asks = key[order], when[order], asks[order]
            pair = (key[1:] == key[:-1]) & asks[:-1] & ~asks[1:]
            times.append((when[1:] - when[:-1])[pair] * 1e-6)
    told.times = np.concatenate(times).tolist()
    return told


WAYS = {
    "pure": pure,
    "dpkt": dpkt_way,
    "scapy raw": scapy_raw,
    "scapy full": scapy_full,
    "numpy": numpy_windows,
}

if __name__ == "__main__":
    began = time.process_time()
    seen = WAYS[sys.argv[1]](sys.argv[2], int(sys.argv[3]))
    middle = statistics.median(seen.times) * 1000 if seen.times else 0
    print(seen.packets, len(seen.times), f"{middle:.4f}", f"{time.process_time() - began:.6f}")
