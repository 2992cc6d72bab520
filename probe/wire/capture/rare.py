"""Frames of rare protocols that the kernel hands out: neighbours, spanning tree, rings.

The kernel gives each different frame once (a BPDU again after 30 s of silence) and counts how often it came,
so that a storm of them costs no more than its kinds.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from probe.model.capture import NeighbourSeen, TopologyChange
from probe.wire.capture import layout
from probe.wire.frames.bpdu import NOTICE, decode_bpdu
from probe.wire.frames.dcp import decode_dcp
from probe.wire.frames.ethernet import EthernetFrame, decode_cooked, decode_ethernet
from probe.wire.frames.lldp import decode_lldp

_COOKED, _COOKED_2 = 113, 276
#: Stations kept; a flood of made-up ones is counted, not kept.
_STATIONS = 1024
_SPELLS = 256
_NO_PORT = ""


@dataclass(slots=True)
class Station:
    """A neighbour as it last told, and the rows of the kernel that count its frames."""

    told: NeighbourSeen
    rows: set[int] = field(default_factory=set)


@dataclass(slots=True)
class Spell:
    """A change of topology: rows that count it, first instants."""

    protocol: str
    bridge: str
    port: str
    rows: set[int]
    first_ns: int


class RareFrames:
    """What the rare frames of a capture said."""

    def __init__(self) -> None:
        self.stations: dict[tuple[str, str, str, str], Station] = {}
        self.spells: dict[tuple[str, str, str, int], Spell] = {}
        self.facts: dict[int, tuple[str, ...]] = {}
        self.malformed: Counter[str] = Counter()
        self.too_many = 0

    def take(self, lot: bytes, link: int) -> None:
        """Decode the frames of one lot from the kernel."""
        at, head = 0, layout.OUT_HEAD
        while at + head.size <= len(lot):
            size, kind, row, _, ts, _ = head.unpack_from(lot, at)
            at += head.size
            self._frame(kind, row, ts, lot[at : at + size], link)
            at += size + 7 & ~7

    def _frame(self, kind: int, row: int, ts: int, data: bytes, link: int) -> None:
        if link in (_COOKED, _COOKED_2):
            frame = decode_cooked(data, second=link == _COOKED_2)
        else:
            frame = decode_ethernet(data)
        if frame is None:
            return
        if kind == layout.LLDP:
            self._lldp(row, ts, frame)
        elif kind == layout.STP:
            self._bpdu(row, ts, frame)
        elif kind == layout.DCP:
            self._dcp(row, ts, frame)
        elif kind == layout.CDP:
            self._station(row, _silent("CDP", frame.source, ts))
        elif kind == layout.MRP:
            self._ring(row, ts, frame)

    def _lldp(self, row: int, ts: int, frame: EthernetFrame) -> None:
        told = decode_lldp(frame.payload)
        if not told.whole:
            self.malformed["LLDP"] += 1
        seen = NeighbourSeen(
            "LLDP",
            frame.source,
            told.chassis,
            told.port,
            told.name,
            told.words or told.port_words,
            told.addresses,
            0,
            ts,
            ts,
        )
        self._station(row, seen)

    def _dcp(self, row: int, ts: int, frame: EthernetFrame) -> None:
        told = decode_dcp(frame.payload)
        if told is None or not told.whole:
            self.malformed["DCP"] += 1
        if told is None:
            return
        self.facts[row] = (f"dcp {told.service}",)
        if not told.service.endswith("response") and not told.service.startswith("hello"):
            return
        if not (told.station or told.address or told.maker_words):
            return
        address = (told.address,) if told.address else ()
        self._station(
            row,
            NeighbourSeen(
                "DCP", frame.source, "", _NO_PORT, told.station, told.maker_words, address, 0, ts, ts
            ),
        )

    def _bpdu(self, row: int, ts: int, frame: EthernetFrame) -> None:
        told = decode_bpdu(frame.payload)
        if told is None:
            self.malformed["spanning tree"] += 1
            return
        flags = ("change", "acknowledged", "proposal", "agreement")
        said = tuple(flag for flag in flags if getattr(told, flag))
        self.facts[row] = (
            "bpdus",
            *said,
            f"version {told.version}",
            *((f"root {told.root}",) if told.root else ()),
        )
        if told.change:
            bridge = told.bridge or frame.source
            self._spell("notice" if told.kind == NOTICE else "spanning tree", bridge, told.port, row, ts)

    def _ring(self, row: int, ts: int, frame: EthernetFrame) -> None:
        """MRP: a header of type and length; 0x03 tells a change. Source: IEC 62439-2 (from memory)."""
        if len(frame.payload) > 4 and frame.payload[2] == 0x03:
            self._spell("ring", frame.source, "", row, ts)

    def _station(self, row: int, seen: NeighbourSeen) -> None:
        key = (seen.protocol, seen.hardware, seen.chassis, seen.port)
        station = self.stations.get(key)
        if station is None:
            if len(self.stations) >= _STATIONS:
                self.too_many += 1
                return
            station = self.stations[key] = Station(seen)
        station.told = _joined(station.told, seen)
        station.rows.add(row)

    def _spell(self, protocol: str, bridge: str, port: str, row: int, ts: int) -> None:
        known = [key for key, one in self.spells.items() if row in one.rows]
        key = (protocol, bridge, port, ts if known else 0)
        if key not in self.spells:
            if len(self.spells) >= _SPELLS:
                self.too_many += 1
                return
            self.spells[key] = Spell(protocol, bridge, port, set(), ts)
        self.spells[key].rows.add(row)


def _silent(protocol: str, source: str, ts: int) -> NeighbourSeen:
    return NeighbourSeen(protocol, source, "", _NO_PORT, "", "", (), 0, ts, ts)


def _joined(old: NeighbourSeen, new: NeighbourSeen) -> NeighbourSeen:
    """What is known of a station after it told once more: the newer word, addresses of both."""
    addresses = tuple(dict.fromkeys((*old.addresses, *new.addresses)))[:8]
    return new._replace(
        name=new.name or old.name,
        description=new.description or old.description,
        addresses=addresses,
        first_ns=min(old.first_ns, new.first_ns),
    )


def neighbours(rare: RareFrames, counts: dict[int, tuple[int, int, int]]) -> tuple[NeighbourSeen, ...]:
    """All stations with their counts. counts: row to frames, first and last instant."""
    found = []
    for station in rare.stations.values():
        rows = [counts[row] for row in station.rows if row in counts]
        found.append(
            station.told._replace(
                frames=sum(row[0] for row in rows),
                first_ns=min((row[1] for row in rows), default=station.told.first_ns),
                last_ns=max((row[2] for row in rows), default=station.told.last_ns),
            )
        )
    return tuple(sorted(found, key=lambda one: (one.protocol, one.name, one.hardware, one.port)))


def changes(rare: RareFrames, counts: dict[int, tuple[int, int, int]]) -> tuple[TopologyChange, ...]:
    """The spells of change, in the order in which they began."""
    found = []
    for spell in rare.spells.values():
        rows = [counts[row] for row in spell.rows if row in counts]
        last = max((row[2] for row in rows), default=spell.first_ns)
        frames = sum(row[0] for row in rows)
        found.append(TopologyChange(spell.protocol, spell.bridge, spell.port, frames, spell.first_ns, last))
    return tuple(sorted(found, key=lambda one: one.first_ns))


def spanning(rare: RareFrames, counts: dict[int, tuple[int, int, int]]) -> dict[str, int]:
    """Frames by what they said: ``bpdus``, ``change``, ``proposal``, ``root 32768/...``, ``dcp ...``."""
    found: Counter[str] = Counter()
    for row, said in rare.facts.items():
        for word in said:
            found[word] += counts.get(row, (0, 0, 0))[0]
    for protocol, many in rare.malformed.items():
        found[f"malformed {protocol}"] += many
    return dict(found)
