"""The diagnosis as causes: what hangs under each, how sure it is, and what else it may be."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import sqrt
from typing import NamedTuple

from probe.judge.cause import Found, Rule, make
from probe.judge.diagnosis.lineup import Finding as Found_
from probe.judge.diagnosis.lineup import Outcome, Weighed, diagnose
from probe.judge.diagnosis.pairs import Pair
from probe.judge.diagnosis.priors import Kind
from probe.judge.diagnosis.relations import Relation
from probe.judge.diagnosis.rereading import NOMINAL_V, PHASE_V
from probe.judge.diagnosis.search import Explanation
from probe.judge.diagnosis.sighting import Sighting
from probe.judge.diagnosis.wiring import Part
from probe.judge.diagnosis.words import Whose, mended, said, settled
from probe.judge.electrical.topology import topology_of
from probe.judge.lineup_context import LineupContext
from probe.judge.wording import count, listed, some
from probe.model.finding import Cause, Finding, Verdict

#: Checks whose findings the diagnosis speaks of, by the first word of their id or the whole id.
FAMILIES = ("values", "supply", "electrical")
SINGLE = ("ratings.drawn", "motion.jump", "lineup.counters_twice")
#: An alternative is named if it is at least this probable against the best.
NAMED = 0.1
#: A device is called sound, whatever else may be, above this.
SOUND = 0.5
#: Never surer than this: the list of faults is ours, the world's is longer.
MOST = 0.98
#: What cannot be explained is said with this confidence.
UNEXPLAINED_PERMILLE = 200
#: Kinds that lie in a profile when several devices of it show them alike.
BY_PROFILE = (Kind.ORDER, Kind.ADDRESS, Kind.TYPE, Kind.SCALE, Kind.SIGN)
_RATHER = {Verdict.FAIL, Verdict.REVIEW}


class Group(NamedTuple):
    """Explanations with the same kinds of fault at the same device, put together. share: of all of them;
    within: of the best one in the group."""

    tag: str
    kinds: tuple[Kind, ...]
    share: float
    best: Explanation
    within: float
    others: tuple[Explanation, ...]


def groups_of(weighed: Sequence[Weighed]) -> list[Group]:
    """Explanations by device and kinds, most probable first."""
    found: dict[tuple[str, tuple[Kind, ...]], list[Weighed]] = {}
    for one in weighed:
        found.setdefault((one.tag, tuple(sorted(one.explanation.kinds))), []).append(one)
    made = []
    for (tag, kinds), ones in found.items():
        share = sum(one.share for one in ones)
        near = tuple(o.explanation for o in ones[1:4] if o.share > 0.15 * ones[0].share)
        made.append(Group(tag, kinds, share, ones[0].explanation, ones[0].share / max(share, 1e-300), near))
    made.sort(key=lambda group: -group.share)
    return made


def causes_by_readings(context: LineupContext, found: Found) -> Iterator[Cause]:
    """What the readings tell of faults, widest first."""
    sightings = {tag: facts.sighting for tag, facts in context.facts.items() if facts.sighting is not None}
    if not sightings or not _anything_odd(sightings, found):
        return
    outcome = diagnose(topology_of(context.map), sightings)
    yield from _nominal(context, found, outcome)
    for pair in outcome.pairs:
        yield from _pair(context, found, pair)
    yield from _devices(context, found, outcome)


def _anything_odd(sightings: Mapping[str, Sighting], found: Found) -> bool:
    """True if there is something to explain at all: the whole work is saved for a sound lineup."""
    return any(one.explanations for one in sightings.values()) or any(
        finding.verdict in _RATHER and is_ours(finding) for finding in found.bad
    )


def is_ours(finding: Finding) -> bool:
    """True for a finding on readings, which a fault of the instrument could explain."""
    return finding.check.partition(".")[0] in FAMILIES or finding.check in SINGLE


def explained(context: LineupContext, found: Found, tags: Iterable[str]) -> list[str]:
    """Ids of the findings that a fault at these tags explains, those that compare them with others too."""
    wanted = set(tags)
    topology = topology_of(context.map)
    circuits = {topology.circuit_of.get(tag, tag) for tag in wanted}
    sources = circuits | {topology.parent[circuit] for circuit in circuits if circuit in topology.parent}
    beside = {tag for circuit in circuits for tag in topology.instruments.get(circuit, ())}
    ids = []
    for finding in found.bad:
        if finding.verdict not in _RATHER or not is_ours(finding):
            continue
        if finding.check in BUS:
            mine = finding.point in wanted
        elif finding.check in BALANCE:
            mine = finding.subject in sources
        else:
            mine = finding.subject in (beside if finding.check in CIRCUIT else wanted)
        if mine:
            ids.append(finding.id)
    return ids


#: Checks that compare devices: a fault at one of them shows at another. By what they compare: devices of a
#: bus (the point is the device), a source with what it feeds, instruments of one circuit.
BUS = ("electrical.bus_voltage", "electrical.frequency", "lineup.counters_twice")
BALANCE = ("electrical.feeders",)
CIRCUIT = ("electrical.same_circuit",)
#: Checks that take the phases to follow as A, B, C: the rotation of a bus shows in all its devices.
TURNING = ("electrical.neutral", "electrical.sequence")


# devices ---------------------------------------------------------------------------------------------------


def _devices(context: LineupContext, found: Found, outcome: Outcome) -> Iterator[Cause]:
    """One cause a device; devices of a profile that all show the same fault of reading are told once."""
    paired = {tag for pair in outcome.pairs for tag in pair.tags}
    ranked = [(one, groups_of(one.weighed)) for one in outcome.findings if one.tag not in paired]
    ranked = [(one, groups) for one, groups in ranked if groups[0].kinds or groups[0].share < SOUND]
    together: dict[tuple[object, ...], list[tuple[Found_, list[Group]]]] = {}
    for one, groups in ranked:
        together.setdefault(_key(context, one, groups), []).append((one, groups))
    for ones in together.values():
        yield from _told(context, found, ones)


def _key(context: LineupContext, one: Found_, groups: list[Group]) -> tuple[object, ...]:
    """What makes two devices' faults one: profile and fault; or the phase that is dead on their bus."""
    best = groups[0].best
    profile = context.map.by_tag[one.tag].profile
    if best.parts and all(part.kind in BY_PROFILE for part in best.parts):
        return (profile, best.parts)
    if len(best.parts) == 1 and best.parts[0].kind in (Kind.MISSING, Kind.ROTATION, Kind.BOTH_SWAPPED):
        return (best.parts[0].kind, best.parts[0].where, _bus(context, one.tag))
    return (one.tag,)


def _bus(context: LineupContext, tag: str) -> str:
    """The circuit that feeds the bus at which the device measures; of a main the main itself."""
    topology = topology_of(context.map)
    circuit = topology.circuit_of.get(tag, tag)
    return topology.parent.get(circuit, circuit)


def _told(context: LineupContext, found: Found, ones: list[tuple[Found_, list[Group]]]) -> Iterator[Cause]:
    tags = [one.tag for one, _ in ones]
    first, groups = ones[0]
    best = next((group for group in groups if group.kinds), groups[0])
    relations = [relation for one, _ in ones for relation in one.relations]
    explains = explained(context, found, tags)
    if best.kinds == (Kind.ROTATION,):
        explains += _by_rotation(context, found, tags)
    if not explains or not best.kinds:
        return
    if best.kinds == (Kind.UNEXPLAINED,):
        yield _unexplained(context, tags, explains)
        return
    whose = _whose(context, tags)
    statement = _sentence([said(part, whose) for part in best.best.parts])
    statement += _which(best, whose) + _rests(explains, relations, ones) + _or_else(context, groups, best)
    fix = " ".join(dict.fromkeys(mended(part, whose) for part in best.best.parts))
    wiser = settled([*best.kinds, *(k for g in groups[1:3] if _is_named(g, best) for k in g.kinds)])
    fix += f" What would settle it: {wiser}." if wiser and best.share < 0.9 else ""
    yield make(
        _kind(best), _subjects(first, best, tags), explains, _permille(best.share, ones), statement, fix
    )


def _by_rotation(context: LineupContext, found: Found, tags: list[str]) -> list[str]:
    """Findings of other devices of these buses that the order of the phases explains."""
    buses = {_bus(context, tag) for tag in tags}
    beside = [f for f in found.bad if f.check in TURNING and f.subject not in tags]
    return [f.id for f in beside if f.verdict in _RATHER and _bus(context, f.subject) in buses]


def _kind(group: Group) -> str:
    return " + ".join(dict.fromkeys(part.kind.value for part in group.best.parts))


def _subjects(one: Found_, best: Group, tags: list[str]) -> list[str]:
    return tags if best.tag == one.tag else [best.tag, *(t for t in tags if t != best.tag)]


def _permille(share: float, ones: Sequence[object]) -> int:
    """Confidence; several devices that show the same are surer than one."""
    doubt = (1 - min(share, MOST)) ** min(len(ones), 2) if len(ones) > 1 else 1 - min(share, MOST)
    return round(1000 * min(1 - doubt, MOST))


def _whose(context: LineupContext, tags: list[str]) -> Whose:
    device = context.map.by_tag[tags[0]]
    points = context.lineup.profile_of(device).by_name
    return Whose(some(tags), device.profile, {name: point.title for name, point in points.items()})


def _sentence(clauses: list[str]) -> str:
    text = "; and ".join(clauses)
    return text[:1].upper() + text[1:] + "."


def _which(group: Group, whose: Whose) -> str:
    """Where else the same kind of fault may sit, if the readings do not tell it apart."""
    if group.within > 0.8 or not group.others:
        return ""
    where = list(dict.fromkeys(_place(e) for e in group.others if _place(e) != _place(group.best)))
    return f" The readings do not tell it from the same at {listed(where)}." if where else ""


def _place(explanation: Explanation) -> str:
    return ", ".join(
        part.where if part.kind is Kind.TYPE else part.at or part.where or part.kind.value
        for part in explanation.parts
    )


def _rests(
    explains: list[str], relations: Sequence[Relation], ones: Sequence[tuple[Found_, list[Group]]]
) -> str:
    text = f" Rests on {count(len(explains), 'finding')} that it puts right together"
    if len(ones) > 1:
        text += f", at {len(ones)} devices alike"
    others = [r for r in relations if r.sort != "bus"]
    if others:
        beside = dict.fromkeys(tag for relation in others for tag in relation.tags)
        text += f", and on what {some([t for t in beside if t not in {o.tag for o, _ in ones}])} shows"
    return text + "."


def _is_named(group: Group, best: Group) -> bool:
    return group is not best and group.share >= NAMED * best.share and group.share > 0.03


def _or_else(context: LineupContext, groups: list[Group], best: Group) -> str:
    """The alternatives that the readings leave open, each named with its share."""
    open_ = [g for g in groups if _is_named(g, best)][:3]
    if not open_:
        return ""
    named = []
    for group in open_:
        if not group.kinds:
            named.append(f"nothing is wrong ({_percent(group.share)})")
        else:
            whose = _whose(context, [group.tag])
            named.append(
                f"{'; and '.join(said(p, whose) for p in group.best.parts)} ({_percent(group.share)})"
            )
    return f" As the readings stand it may also be that {'; or that '.join(named)}."


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _unexplained(context: LineupContext, tags: list[str], explains: list[str]) -> Cause:
    part, whose = Part(Kind.UNEXPLAINED), _whose(context, tags)
    statement = _sentence([said(part, whose)])
    return make(Kind.UNEXPLAINED.value, tags, explains, UNEXPLAINED_PERMILLE, statement, mended(part, whose))


# several devices -------------------------------------------------------------------------------------------


def _nominal(context: LineupContext, found: Found, outcome: Outcome) -> Iterator[Cause]:
    if not outcome.nominal_v:
        return
    tags = list(outcome.nominal_tags)
    explains = [f.id for tag in tags for f in found.of(tag) if f.verdict in _RATHER and is_ours(f)]
    if explains:
        single = context.map.system.wiring == "single"
        part = Part(Kind.NOMINAL, _standard(outcome.nominal_v, single=single))
        whose = _whose(context, tags)
        statement = _sentence([said(part, whose)])
        statement += f" Rests on the same voltage at {count(len(tags), 'device')}."
        sure = round(1000 * min(MOST, 1 - 0.1 ** min(len(tags), 3)))
        yield make(Kind.NOMINAL.value, tags, explains, sure, statement, mended(part, whose))


def _standard(volts: float, *, single: bool) -> str:
    """The nearest standard nominal voltage, or the voltage itself where none is near. volts: line to line;
    the answer of a single phase is to neutral."""
    volts = volts / sqrt(3) if single else volts
    nearest = min(PHASE_V if single else NOMINAL_V, key=lambda nominal: abs(nominal - volts))
    return f"{nearest:g}" if abs(nearest - volts) < 0.06 * nearest else f"{volts:.0f}"


def _pair(context: LineupContext, found: Found, pair: Pair) -> Iterator[Cause]:
    explains = explained(context, found, pair.tags)
    if not explains:
        return
    part = Part(pair.kind)
    whose = _whose(context, list(pair.tags))._replace(who=listed(pair.tags))
    yield make(
        pair.kind.value,
        pair.tags,
        explains,
        round(1000 * min(pair.share, MOST)),
        _sentence([said(part, whose)]) + f" Rests on {count(len(explains), 'finding')}.",
        f"{mended(part, whose)} What would settle it: {settled([pair.kind])}.",
    )


BY_READINGS: tuple[Rule, ...] = (causes_by_readings,)
