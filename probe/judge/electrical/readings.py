"""The readings of a whole run that may be believed, how its breakers stand, and what a circuit carries.

Devices are read one after the other while loads move: a reading is carried to the instant of another by how
its quantity was seen to move in the run's rounds (where they are too few, by how fast it may move), and that
goes into the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe.judge.electrical.snapshot import Measured, Snapshot, seconds_apart, strayed
from probe.judge.electrical.taking import keys_of
from probe.judge.electrical.topology import Stand, Topology, Zone, topology_of
from probe.judge.lineup_context import LineupContext
from probe.model.finding import Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """What one circuit carries of a quantity, or why it is not known. value in base units."""

    tag: str
    measured: Measured | None = None
    missing: str = ""


class Readings:
    """Believable snapshots of a run and how its breakers stand."""

    def __init__(self, context: LineupContext) -> None:
        self.context = context
        self.topology: Topology = topology_of(context.map)
        self.stand: dict[str, Stand] = {}
        self.why: dict[str, str] = {}
        #: Devices whose own readings contradict each other: asked only where no other one shows the circuit.
        self.suspects: set[str] = set()
        self.snapshots: dict[str, tuple[Snapshot, ...]] = {}
        for tag in self.topology.circuit_of:
            self._take(tag)

    def _take(self, tag: str) -> None:
        facts = self.context.facts.get(tag)
        if facts is None:
            self.why[tag] = f"{tag} was not audited"
        elif not facts.snapshots:
            self.why[tag] = f"no values came from {tag}"
        elif facts.identity_wrong or facts.proof_wrong or facts.stale:
            self.why[tag] = f"the values of {tag} are in doubt"
        else:
            self.snapshots[tag] = facts.snapshots
            findings = self.context.judgements[tag].findings
            if any(f.verdict is Verdict.FAIL and f.check.startswith("electrical.") for f in findings):
                self.suspects.add(tag)
        if facts is not None and tag not in self.why:
            self.stand[tag] = Stand(facts.stand)

    def zones(self) -> tuple[Zone, ...]:
        """The buses as they hang together now."""
        return self.topology.zones(self.stand)

    def is_open(self, circuit: str) -> bool:
        """True if the circuit's breaker is known to be open."""
        return self.stand.get(circuit) is Stand.OPEN

    def best(self, circuit: str, quantity: str, phase: str, number: int) -> Side:
        """What the circuit's most exact instrument shows of a quantity. number: 0 first snapshot, -1 last."""
        if self.is_open(circuit):
            return Side(tag=circuit)
        tags = self.topology.instruments.get(circuit, ())
        shown = [
            (tag in self.suspects, measured.half_width, measured)
            for tag in tags
            if tag in self.snapshots and (measured := self.snapshots[tag][number].get(quantity, phase))
        ]
        if not shown:
            why = [self.why[tag] for tag in tags if tag in self.why]
            return Side(tag=circuit, missing=why[0] if why else f"{circuit} shows no {quantity}")
        return Side(tag=circuit, measured=min(shown)[2])


def readings_of(context: LineupContext) -> Readings:
    """The believable readings of a run; made once for its checks."""
    known = context.memory.get("electrical readings")
    if not isinstance(known, Readings):
        known = context.memory["electrical readings"] = Readings(context)
    return known


def moved(measured: Measured, quantity: str, to: Measured) -> float:
    """How far the quantity may have moved between two readings of it, in its unit."""
    return strayed(quantity, measured.value, measured.moved, seconds_apart(measured, to))


def sources(lineup: Lineup, scope: Scope) -> list[str]:
    """Sources of buses in the scope whose profile shows power or current."""
    feeders, inside = topology_of(lineup.map).feeders, tags_of(scope)
    return [tag for tag in feeders if tag in inside and keys_at(lineup, tag)]


def tags_of(scope: Scope) -> frozenset[str]:
    """Tags of a scope, quick to look up."""
    return frozenset(scope.tags)


def keys_at(lineup: Lineup, tag: str) -> frozenset[tuple[str, str]]:
    """What the device at a tag measures, by key."""
    return keys_of(lineup.profile_of(lineup.map.by_tag[tag]))
