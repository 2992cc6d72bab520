"""Topology: who feeds whom, who measures which circuit, which bus hangs on which source; from the map.

    52-M1 ── bus ── F1 F2 F3      52-T      F4 F5 ── bus ── 52-M2       fed_from: F1 -> 52-M1, ...
      └ MTR-M1 measures 52-M1's circuit                                 joins: 52-T -> 52-M1, 52-M2

A circuit is named after its breaker. The map may say which circuit a meter measures and what a tie joins;
where it does not, two readings of a drawing are taken because they leave no other: a meter that is the only
one fed from a breaker measures that breaker's circuit, and the only breaker that neither feeds nor is fed, in
a lineup of two mains, is the tie between them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from probe.model.device_map import Device, DeviceMap, Kind


class Stand(StrEnum):
    """How a breaker stands, as far as it is known."""

    OPEN = "open"  # or tripped, or withdrawn
    CLOSED = "closed"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tie:
    """A breaker between buses. joins: the mains of these buses; empty where the map leaves it open."""

    tag: str
    joins: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """Buses that hang together. sources: mains that feed them (open ones too); circuits: what they feed.

    doubt: why it is not known what hangs together, "" where it is.
    """

    sources: tuple[str, ...]
    circuits: tuple[str, ...]
    doubt: str = ""

    @property
    def name(self) -> str:
        """Its sources."""
        return " and ".join(self.sources)


@dataclass(frozen=True, slots=True, kw_only=True)
class Topology:
    """mains: breakers without feed that feed others. feeders: by source, the breakers (or meters that stand
    for one) right below it. instruments: by circuit, all devices that measure it, its breaker first.
    circuit_of: by device. parent: by circuit, the circuit that feeds it."""

    mains: tuple[str, ...]
    ties: tuple[Tie, ...]
    feeders: Mapping[str, tuple[str, ...]]
    instruments: Mapping[str, tuple[str, ...]]
    circuit_of: Mapping[str, str]
    parent: Mapping[str, str]

    def zones(self, stand: Mapping[str, Stand]) -> tuple[Zone, ...]:
        """The buses of the mains as they hang together while the breakers stand so.

        stand: by tag of a breaker; a missing one is unknown. A bus below a feeder is a zone of its own with
        that feeder for its source.
        """
        groups = {main: {main} for main in self.mains}
        doubts: dict[str, str] = {}
        for tie in self.ties:
            self._join(tie, stand.get(tie.tag, Stand.UNKNOWN), groups, doubts)
        zones = [self._zone(group, doubts) for group in _distinct(groups.values())]
        zones += [
            Zone(sources=(source,), circuits=circuits)
            for source, circuits in self.feeders.items()
            if source not in self.mains
        ]
        return tuple(zones)

    def _join(self, tie: Tie, stand: Stand, groups: dict[str, set[str]], doubts: dict[str, str]) -> None:
        if stand is Stand.OPEN:
            return
        known = [main for main in tie.joins if main in groups]
        if stand is Stand.UNKNOWN or len(known) < 2:
            why = "stands" if stand is Stand.UNKNOWN else "joins"
            for main in known or groups:
                doubts[main] = (
                    f"it is not known how {tie.tag} stands"
                    if why == "stands"
                    else (f"{tie.tag} is closed, and the map does not say which buses it joins")
                )
            return
        together = set().union(*(groups[main] for main in known))
        for main in together:
            groups[main] = together

    def _zone(self, group: set[str], doubts: Mapping[str, str]) -> Zone:
        sources = tuple(main for main in self.mains if main in group)
        return Zone(
            sources=sources,
            circuits=tuple(tag for source in sources for tag in self.feeders.get(source, ())),
            doubt=next((doubts[source] for source in sources if source in doubts), ""),
        )

    def beside(self, tag: str) -> tuple[str, ...]:
        """The other devices that measure the same circuit."""
        circuit = self.circuit_of.get(tag, "")
        return tuple(other for other in self.instruments.get(circuit, ()) if other != tag)


def _distinct(groups: Iterable[set[str]]) -> list[set[str]]:
    found: list[set[str]] = []
    for group in groups:
        if not any(group is other for other in found):
            found.append(group)
    return found


_last: list[tuple[DeviceMap, Topology]] = []


def topology_of(system: DeviceMap) -> Topology:
    """The topology of a map; that of the last one is kept, since a whole run asks for it."""
    if not _last or _last[0][0] is not system:
        _last[:] = [(system, _topology(system))]
    return _last[0][1]


def _topology(system: DeviceMap) -> Topology:
    measuring = {device.tag: device for device in system.devices if device.kind in _MEASURING}
    circuit_of = _circuits(measuring)
    circuits = dict.fromkeys(circuit_of.values())
    parent = {
        circuit: circuit_of[feed]
        for circuit in circuits
        if (feed := measuring[circuit].fed_from) is not None and feed in circuit_of
    }
    feeders: dict[str, list[str]] = {}
    for circuit, source in parent.items():
        feeders.setdefault(source, []).append(circuit)
    instruments: dict[str, list[str]] = {circuit: [circuit] for circuit in circuits}
    for tag, circuit in circuit_of.items():
        if tag != circuit:
            instruments[circuit].append(tag)
    mains = tuple(circuit for circuit in circuits if circuit in feeders and circuit not in parent)
    return Topology(
        mains=mains,
        ties=_ties(measuring, mains, feeders, parent),
        feeders={source: tuple(tags) for source, tags in feeders.items()},
        instruments={circuit: tuple(tags) for circuit, tags in instruments.items()},
        circuit_of=circuit_of,
        parent=parent,
    )


_MEASURING = frozenset({Kind.TRIP_UNIT, Kind.METER})


def _circuits(measuring: Mapping[str, Device]) -> dict[str, str]:
    """Device to the circuit that it measures."""
    meters: dict[str, list[str]] = {}
    for device in measuring.values():
        feed = measuring.get(device.fed_from or "")
        if device.kind is Kind.METER and not device.measures and feed and feed.kind is Kind.TRIP_UNIT:
            meters.setdefault(feed.tag, []).append(device.tag)
    feeds = {device.fed_from for device in measuring.values()}
    alone = {tags[0]: feed for feed, tags in meters.items() if len(tags) == 1 and tags[0] not in feeds}
    found = {}
    for tag, device in measuring.items():
        told = device.measures if device.measures in measuring else None
        found[tag] = told or alone.get(tag, tag)
    return {tag: found[circuit] if found[circuit] != tag else tag for tag, circuit in found.items()}


def _ties(
    measuring: Mapping[str, Device],
    mains: tuple[str, ...],
    feeders: Mapping[str, list[str]],
    parent: Mapping[str, str],
) -> tuple[Tie, ...]:
    told = [Tie(tag=d.tag, joins=d.joins) for d in measuring.values() if d.joins]
    if told:
        return tuple(told)
    loose = [
        tag
        for tag, device in measuring.items()
        if device.kind is Kind.TRIP_UNIT and device.fed_from is None and tag not in feeders
    ]
    if len(mains) < 2 or not loose:
        return ()
    joins = mains if len(mains) == 2 and len(loose) == 1 else ()
    return tuple(Tie(tag=tag, joins=joins) for tag in loose)
