"""Frames of rare protocols that the kernel hands out: neighbours, spanning tree, rings.

The kernel gives each different frame once (a BPDU again after 30 s of silence) and counts how often it came,
so that a storm of them costs no more than its kinds.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from probe.model.capture import NeighbourSeen, TopologyChange
from probe.model.frames import dcp, ethernet, lldp, stp
from probe.model.frames.ethernet import Ethernet, FrameError
from probe.wire.capture import layout

_COOKED, _COOKED_2 = 113, 276
#: Stations kept; a flood of made-up ones is counted, not kept.
_STATIONS = 1024
_SPELLS = 256
_NAMES = {layout.LLDP: "LLDP", layout.STP: "spanning tree", layout.DCP: "DCP", layout.MRP: "MRP"}
#: What stands before a BPDU: LLC, and the SNAP form of one tree a VLAN (from memory).
_PLAIN, _PER_VLAN = b"\x42\x42\x03", b"\xaa\xaa\x03\x00\x00\x0c\x01\x0b"
_SERVICES = {3: "get", 4: "set", 5: "identify", 6: "hello"}
_ANSWERS = {0: "request", 1: "response", 5: "not supported"}


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
        name = _NAMES.get(kind, "")
        try:
            frame = _unwrapped(data, link)
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
        except FrameError:
            self.malformed[name] += 1

    def _lldp(self, row: int, ts: int, frame: Ethernet) -> None:
        told = lldp.decode(frame.payload)
        seen = NeighbourSeen(
            "LLDP",
            frame.source,
            told.chassis,
            told.port,
            told.name,
            told.description or told.port_description,
            told.managed_at[:8],
            0,
            ts,
            ts,
        )
        self._station(row, seen)

    def _dcp(self, row: int, ts: int, frame: Ethernet) -> None:
        told = dcp.decode(frame.payload)
        self.facts[row] = (f"dcp {_service(frame.payload)}",)
        if not (told.name or told.address or told.sort):
            return
        address = f"{told.address}/{told.mask} gw {told.router}"
        seen = NeighbourSeen(
            "DCP", frame.source, "", "", told.name, told.sort, (address,) if told.address else (), 0, ts, ts
        )
        self._station(row, seen)

    def _bpdu(self, row: int, ts: int, frame: Ethernet) -> None:
        payload = frame.payload
        if payload.startswith(_PER_VLAN):
            payload = _PLAIN + payload[len(_PER_VLAN) :]
        told = stp.decode(payload)
        flags = {
            "change": told.topology_change,
            "acknowledged": told.acknowledged,
            "proposal": told.proposal,
            "agreement": told.agreement,
        }
        root = (f"root {told.root}",) if told.root is not None else ()
        self.facts[row] = ("bpdus", *(flag for flag, said in flags.items() if said), *root)
        if told.topology_change:
            notice = told.kind == "notification"
            bridge = frame.source if told.bridge is None else str(told.bridge)
            port = "" if notice else f"{told.port:04x}"
            self._spell("notice" if notice else "spanning tree", bridge, port, row, ts)

    def _ring(self, row: int, ts: int, frame: Ethernet) -> None:
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


def _unwrapped(data: bytes, link: int) -> Ethernet:
    """The frame; of a Linux cooked one with the source that it tells. Raises FrameError."""
    if link not in (_COOKED, _COOKED_2):
        return ethernet.decode(data)
    size, source, kind = (
        (20, slice(12, 18), slice(0, 2)) if link == _COOKED_2 else (16, slice(6, 12), slice(14, 16))
    )
    if len(data) < size:
        raise FrameError(f"{len(data)} bytes are no cooked frame")
    return Ethernet("", ethernet.hardware(data[source]), (), int.from_bytes(data[kind]), data[size:])


def _service(payload: bytes) -> str:
    """What a DCP frame does: ``identify request``, ``set response``. Source: IEC 61158-6-10 (from memory)."""
    service, answer = payload[2], payload[3]
    return f"{_SERVICES.get(service, str(service))} {_ANSWERS.get(answer, str(answer))}"


def _silent(protocol: str, source: str, ts: int) -> NeighbourSeen:
    return NeighbourSeen(protocol, source, "", "", "", "", (), 0, ts, ts)


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
