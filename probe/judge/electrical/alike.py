"""Do two instruments on one circuit show the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import hypot

from probe.judge.check import VALUES, LineupCheck
from probe.judge.electrical.apparent import classes
from probe.judge.electrical.grounds import CT_CAUTION
from probe.judge.electrical.readings import keys_at, moved, readings_of, tags_of
from probe.judge.electrical.snapshot import Snapshot
from probe.judge.electrical.topology import topology_of
from probe.judge.electrical.trial import Trial, roomy, settled, trial
from probe.judge.lineup_context import LineupContext
from probe.model.finding import Finding
from probe.model.lineup import Lineup
from probe.model.scope import Scope


def _same_circuit(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    readings = readings_of(context)
    for tag in check.subjects(context.lineup, context.scope):
        circuit = readings.topology.circuit_of[tag]
        missing = [readings.why[one] for one in (tag, circuit) if one in readings.why]
        if missing:
            yield check.untested(tag, missing[0])
            continue
        pairs = zip(readings.snapshots[tag], readings.snapshots[circuit], strict=False)
        mine, other = max(pairs, key=lambda pair: pair[0].current_a or 0.0)
        trials = list(_pair_trials(context, mine, other))
        if not trials:
            yield check.untested(tag, f"{tag} and {circuit} show nothing alike")
        yield from settled(check, tag, _once(trials), f"Agrees with {circuit} on the same circuit")


def _once(trials: Iterable[Trial]) -> list[Trial]:
    """Of each quantity the trial that is worst: the phases tell the same again."""
    worst: dict[str, Trial] = {}
    for one in trials:
        known = worst.get(one.title)
        if known is None or one.margin > known.margin:
            worst[one.title] = one
    return list(worst.values())


def _pair_trials(context: LineupContext, mine: Snapshot, other: Snapshot) -> Iterator[Trial]:
    share = context.map.tolerances.balance_percent / 100
    volts = context.map.tolerances.bus_voltage_percent / 100
    for key, one in mine.values.items():
        two = other.values.get(key)
        if two is None or key[0] not in _ALIKE:
            continue
        if key[0] == "voltage_phase" and not mine.frame.to_neutral:
            continue  # one may show it against ground, the other against the middle
        is_voltage = key[0].startswith("voltage")
        if not is_voltage and not (mine.is_loaded and other.is_loaded):
            continue
        size = max(abs(one.value), abs(two.value), _floor(mine, key))
        left = hypot(one.unclassed, two.unclassed, moved(one, key[0], two))
        spare = roomy((volts if is_voltage else share) * size + classes((one, two)), left)
        yield trial(
            one.point,
            one.value - two.value,
            left,
            (-spare, spare),
            title=f"{_TITLES[key[0]]} differs from that of {other.tag} on the same circuit",
            advice=f"Compare ratings and ratio of both, then their wiring; a third instrument or the bus's "
            f"balance "
            f"tells which is wrong. {CT_CAUTION}",
            unit=one.unit,
            told=f"{one.value:.1f} here, {two.value:.1f} there",
            by=(one, two),
            size=size,
        )


def _floor(taken: Snapshot, key: tuple[str, str]) -> float:
    """The least that a share is taken of: a neutral current or a reactive power may be near zero."""
    current = taken.current_a or 0.0
    if key[0] == "current":
        return current
    if key[0] not in ("power_reactive", "power_active"):
        return 0.0
    return 0.3 * current * taken.frame.phase_v * (3 if key[1] == "total" else 1)


_TITLES = {
    "voltage_line": "Line voltage",
    "voltage_phase": "Phase voltage",
    "current": "Current",
    "power_active": "Active power",
    "power_reactive": "Reactive power",
    "power_apparent": "Apparent power",
}
_ALIKE = frozenset(_TITLES)


def _meters_beside(lineup: Lineup, scope: Scope) -> list[str]:
    """Devices that measure a circuit whose breaker is another device, both in the scope and measuring."""
    topology = topology_of(lineup.map)
    tags = tags_of(scope)
    return [
        tag
        for tag, circuit in topology.circuit_of.items()
        if tag != circuit
        and tag in tags
        and circuit in tags
        and keys_at(lineup, tag)
        and keys_at(lineup, circuit)
    ]


CHECK = LineupCheck(
    id="electrical.same_circuit",
    title="Two instruments on one circuit agree",
    needs=VALUES,
    why="A meter and a trip unit on one circuit check each other: where they differ, one of them protects "
    "or bills "
    "by a wrong ratio.",
    source="accuracy classes of both added up, and balance_percent and bus_voltage_percent of the map; "
    "common "
    "practice, no source",
    since="0.1",
    danger=6,
    where="meters that measure the circuit of a breaker, by the map's measures or fed_from",
    run=_same_circuit,
    subjects=_meters_beside,
    required=False,
)
