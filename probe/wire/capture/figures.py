"""From the kernel's tables to the figures of a capture. Pure but for reading the tables."""

from __future__ import annotations

import ipaddress
from array import array
from collections import defaultdict
from collections.abc import Iterator
from math import sqrt

from probe.model.capture import (
    AddressConflict,
    CaptureFigures,
    Claim,
    DeviceTraffic,
    Ending,
    Moment,
    OpenEnd,
    Poll,
    ProtocolSeen,
    ReplyTimes,
    Talker,
    WriteSeen,
)
from probe.model.frames.ethernet import hardware
from probe.wire.capture import layout, names, percentile, rare
from probe.wire.capture.engine import Kernel

_ENDINGS = {
    layout.DONE: Ending.WHOLE,
    layout.DAMAGED: Ending.DAMAGED,
    layout.CUT_SHORT: Ending.CUT_SHORT,
    layout.RUNNING: Ending.STOPPED,
}
_FORMATS = {0: "empty", 1: "pcap", 2: "pcapng"}
_LAYERS: dict[int, tuple[str, dict[int, str]]] = {
    layout.ETHERTYPE: ("EtherType", names.ETHERTYPES),
    layout.LLC: ("LLC", names.LLC),
    layout.IP: ("IP", names.IP),
    layout.TCP: ("TCP", names.TCP),
    layout.UDP: ("UDP", names.UDP),
    layout.LINK: ("link", {}),
}
_TALKERS, _OPEN_ENDS, _CONFLICTS, _PROTOCOLS = 64, 256, 256, 256
#: Totals whose excess is told, with the words for it.
_LIMITS = {
    "hosts_full": "hosts were more than are kept; the quietest are counted together",
    "devices_full": "frames of Modbus units were more than are kept apart; they are counted in the last row",
    "writes_full": "writes came from more masters to more units than are kept apart",
    "kinds_full": "frames were of protocols or ports that found no row",
    "distinct_full": "frames of LLDP, spanning tree or the like were too many to look at",
    "evicted": "connections were given up while they may still have been open",
    "requests_forgotten": "requests were still open when their place was needed for newer ones",
    "held_over": "segments could not wait for the one before them",
}


def figures_of(
    kernel: Kernel, frames: rare.RareFrames, file: str, size: int, *, gzip: bool = False
) -> CaptureFigures:
    """Everything that the kernel counted so far."""
    totals = kernel.totals()
    counts = _distinct(kernel)
    devices, units = _devices(kernel, totals)
    unanswered, unasked = _open_ends(kernel, units)
    container = _FORMATS.get(totals["format"], "empty")
    return CaptureFigures(
        file=file,
        size=size,
        ending=_ENDINGS.get(totals["status"], Ending.DAMAGED),
        damaged_at=totals["damaged_at"],
        format=f"{container} (gzip)" if gzip else container,
        totals=totals,
        reply=_all_replies(kernel, totals),
        devices=devices,
        writes=tuple(_writes(kernel, units)),
        functions=_functions(kernel),
        talkers=_talkers(kernel),
        conflicts=_conflicts(kernel),
        protocols=_protocols(kernel, totals),
        vlans=tuple(
            sorted((number, frames) for what, number, frames, _ in _kinds(kernel) if what == layout.VLAN)
        ),
        neighbours=rare.neighbours(frames, counts),
        topology=rare.changes(frames, counts),
        spanning=rare.spanning(frames, counts),
        moments=tuple(_moments(kernel, totals)),
        moment_ns=totals["bin_width_ns"],
        unanswered=unanswered,
        unasked=unasked,
        left_out=tuple(f"{totals[name]:,} {words}" for name, words in _LIMITS.items() if totals[name]),
    )


def address_text(address: bytes) -> str:
    """An IP address of 16 bytes as people write it, version 4 where it is mapped."""
    found = ipaddress.IPv6Address(address)
    return str(found.ipv4_mapped or found)


# -- Modbus -------------------------------------------------------------------------------------------------


def _all_replies(kernel: Kernel, totals: dict[str, int]) -> ReplyTimes | None:
    kept = kernel.table(layout.EXACT_NS).cast("Q")
    if len(kept) == totals["matched"] - totals["negative"]:
        return percentile.exact(array("Q", kept))
    least, most = _extremes(kernel)
    return percentile.from_columns(kernel.table(layout.FINE).cast("I"), percentile.FINE_BITS, least, most)


def _extremes(kernel: Kernel) -> tuple[int, int]:
    """The least and the most reply time of all units."""
    heads = [head for head, _ in _device_rows(kernel) if head[6]]
    return min(head[28] for head in heads), max(head[29] for head in heads)


def _device_rows(kernel: Kernel) -> Iterator[tuple[tuple[int, ...], memoryview]]:
    """Head of each row, and the row."""
    table = kernel.table(layout.DEVICE)
    for at in range(0, len(table), layout.DEVICE_ROW):
        row = table[at : at + layout.DEVICE_ROW]
        yield layout.DEVICE_HEAD.unpack_from(row), row


Unit = tuple[str, int, int]


def _devices(kernel: Kernel, totals: dict[str, int]) -> tuple[tuple[DeviceTraffic, ...], list[Unit]]:
    """The units with what was counted, busiest server first, and their names by their rows."""
    times = _times_by_device(kernel, totals)
    found, units = [], []
    for number, (head, row) in enumerate(_device_rows(kernel)):
        device = _device(head, row, times.get(number) if times is not None else None)
        found.append(device)
        units.append((device.server, device.port, device.unit))
    order = sorted(found, key=lambda one: (ipaddress.ip_address(one.server).packed, one.port, one.unit))
    return tuple(one for one in order if one.requests or one.responses), units


def _times_by_device(kernel: Kernel, totals: dict[str, int]) -> dict[int, array[int]] | None:
    """All reply times by row; None where not all were kept."""
    if totals["exact_count"] != totals["matched"] - totals["negative"]:
        return None
    rows = kernel.table(layout.EXACT_DEVICE).cast("I")
    times: dict[int, array[int]] = defaultdict(lambda: array("Q"))
    for row, ns in zip(rows, kernel.table(layout.EXACT_NS).cast("Q"), strict=True):
        times[row].append(ns)
    return times


def _device(head: tuple[int, ...], row: memoryview, times: array[int] | None) -> DeviceTraffic:
    server, port, unit, _, requests, responses, matched, exceptions, repeated, reused = head[:10]
    codes, (first, last, least, most, _), in_flight = head[10:26], head[26:31], head[33]
    if times is not None:
        reply = percentile.exact(times)
    else:
        start = layout.DEVICE_HEAD.size + layout.POLLS * layout.POLL.size
        reply = percentile.from_columns(row[start:].cast("I"), percentile.DEVICE_BITS, least, most)
    return DeviceTraffic(
        server=address_text(bytes(server)),
        port=port,
        unit=unit,
        requests=requests,
        responses=responses,
        matched=matched,
        exceptions=exceptions,
        exception_codes=tuple((code, many) for code, many in enumerate(codes) if many),
        repeated=repeated,
        reused=reused,
        in_flight=in_flight,
        first_ns=first,
        last_ns=last,
        reply=reply,
        polls=tuple(_polls(row, head[34])),
    )


def _polls(row: memoryview, count: int) -> list[Poll]:
    found = []
    for number in range(min(count, layout.POLLS)):
        at = layout.DEVICE_HEAD.size + number * layout.POLL.size
        _, many, function, body, _, least, most, total, squares = layout.POLL.unpack_from(row, at)
        if not many:
            continue
        mean = total / many
        spread = sqrt(max(squares / many - mean * mean, 0.0))
        start, quantity = int.from_bytes(body[:2], "big"), int.from_bytes(body[2:], "big")
        found.append(
            Poll(function, start, quantity, many, round(mean * 1e9), least, most, round(spread * 1e9))
        )
    return sorted(found, key=lambda poll: -poll.intervals)


def _writes(kernel: Kernel, units: list[Unit]) -> Iterator[WriteSeen]:
    for (
        client,
        device,
        function,
        count,
        done,
        refused,
        first,
        last,
        low,
        high,
    ) in layout.WRITE_ROW.iter_unpack(kernel.table(layout.WRITE)):
        server, port, unit = units[device]
        told = low <= high
        yield WriteSeen(
            address_text(client), server, port, unit, function, count, done, refused, first, last,
            low if told else -1, high if told else -1,
        )  # fmt: skip


def _functions(kernel: Kernel) -> tuple[tuple[int, int], ...]:
    return tuple((code, many) for code, many in enumerate(kernel.table(layout.FUNCTION).cast("Q")) if many)


def _open_ends(kernel: Kernel, units: list[Unit]) -> tuple[tuple[OpenEnd, ...], tuple[OpenEnd, ...]]:
    """Requests without answer and answers without request that the kernel still remembers, by frame."""
    open_requests: list[OpenEnd] = []
    answers: list[OpenEnd] = []
    for entry in layout.ENTRY_ROW.iter_unpack(kernel.table(layout.ENTRY)):
        frame, device, kind, ts = entry[7], entry[8], entry[9], entry[12]
        if kind:
            (open_requests if kind == layout.REQUEST else answers).append(OpenEnd(frame, ts, *units[device]))
    return tuple(sorted(open_requests)[-_OPEN_ENDS:]), tuple(sorted(answers)[-_OPEN_ENDS:])


# -- the network ------------------------------------------------------------------------------------------


def _distinct(kernel: Kernel) -> dict[int, tuple[int, int, int]]:
    """Frames, first and last instant by row of different rare frames."""
    rows = layout.DISTINCT_ROW.iter_unpack(kernel.table(layout.DISTINCT))
    return {
        number: (count, first, last) for number, (name, _, count, first, last, _) in enumerate(rows) if name
    }


def _hosts(kernel: Kernel) -> Iterator[tuple[str, int, int, int, tuple[Claim, ...]]]:
    """Address, its kind (1 IP, 2 hardware), frames, bytes, and the hardware addresses that used it."""
    for address, kind, claims, _, frames, size, *packed in layout.HOST_ROW.iter_unpack(
        kernel.table(layout.HOST)
    ):
        text = address_text(address) if kind == 1 else hardware(address[:6])
        made = []
        for data in packed[:claims]:
            used_by, _, arp, ip, first, last = layout.CLAIM.unpack(data)
            made.append(Claim(hardware(used_by), arp, ip, first, last))
        yield text, kind, frames, size, tuple(made)


def _talkers(kernel: Kernel) -> tuple[Talker, ...]:
    found = [
        Talker(address, claims[0].hardware if claims else "", frames, size)
        for address, _, frames, size, claims in _hosts(kernel)
        if frames
    ]
    return tuple(sorted(found, key=lambda one: (-one.bytes, one.address))[:_TALKERS])


def _conflicts(kernel: Kernel) -> tuple[AddressConflict, ...]:
    found = [
        AddressConflict(address, claims)
        for address, kind, _, _, claims in _hosts(kernel)
        if kind == 1 and len(claims) > 1
    ]
    return tuple(sorted(found, key=lambda one: (not one.by_arp, one.address))[:_CONFLICTS])


def _kinds(kernel: Kernel) -> list[tuple[int, int, int, int]]:
    return [row for row in layout.KIND_ROW.iter_unpack(kernel.table(layout.KIND)) if row[0]]


def _protocols(kernel: Kernel, totals: dict[str, int]) -> tuple[ProtocolSeen, ...]:
    found = []
    for what, number, frames, size in _kinds(kernel):
        if what != layout.VLAN:
            layer, known = _LAYERS[what]
            found.append(ProtocolSeen(layer, number, known.get(number, ""), frames, size))
    if totals["ip4"]:
        found.append(ProtocolSeen("EtherType", 0x0800, "IPv4", totals["ip4"], 0))
    if totals["ip6"]:
        found.append(ProtocolSeen("EtherType", 0x86DD, "IPv6", totals["ip6"], 0))
    return tuple(sorted(found, key=lambda one: (-one.frames, one.layer, one.number))[:_PROTOCOLS])


def _moments(kernel: Kernel, totals: dict[str, int]) -> Iterator[Moment]:
    for number, row in enumerate(layout.BIN_ROW.iter_unpack(kernel.table(layout.BIN))):
        packets, size, group, replies, total, least, most = row[:7]
        p95 = percentile.at_rank(row[7:], percentile.BIN_BITS, -(-95 * replies // 100), 48) if replies else 0
        yield Moment(
            totals["first_ns"] + number * totals["bin_width_ns"], packets, size, group, replies, least,
            total // replies if replies else 0, min(p95, most), most,
        )  # fmt: skip
