"""Checks across switches: each link as drawn, the same at both ends; no two agents with one engine id."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from probe.judge.check import LineupCheck, Need
from probe.judge.lineup_context import LineupContext
from probe.judge.network.switch_check import lineup_in_survey, views
from probe.judge.network.switch_ports import speed_words
from probe.judge.network.switch_view import Interface
from probe.judge.network.topology import Edge, State, Topology, topology
from probe.judge.wording import AT_THE_GEAR, count, listed, some
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.map_network import End, Link
from probe.model.scope import Scope

_MEMORY = "network: topology"


def topology_of(context: LineupContext) -> Topology:
    """The network as found; worked out once for a run."""
    known = context.memory.get(_MEMORY)
    if known is None:
        known = topology(context.map, views(context))
        context.memory[_MEMORY] = known
    return known


def _has_links(lineup: Lineup, scope: Scope) -> Iterable[str]:
    return ("lineup",) if scope.survey is not None and lineup.map.links else ()


# --- neighbours --------------------------------------------------------------------------------------------


def _neighbours(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    found = topology_of(context)
    for edge in found.edges:
        if edge.link is not None:
            yield _as_drawn(check, edge.link, edge)


def _as_drawn(check: LineupCheck, link: Link, edge: Edge) -> Finding:
    expected = " to ".join(end.words for end in link.ends)
    seen = some([f"{one.switch} port {one.port} sees {_named(one.name, one.far_port)}" for one in edge.seen])
    lines = tuple(one.line for one in edge.seen)
    if edge.state is State.UNKNOWN:
        return check.untested(
            "lineup",
            f"nobody tells of link {link.name} ({expected}): its ends do not speak LLDP, or were not asked",
            point=link.name,
        )
    title, advice = _TOLD[edge.state]
    return check.find(
        "lineup",
        Verdict.PASS if edge.state is State.FOUND else Verdict.FAIL,
        title.format(link.name),
        observed=seen or "neither end sees the other",
        expected=expected,
        point=link.name,
        evidence=lines,
        advice=advice,
    )


_TOLD = {
    State.FOUND: ("Link {} is where it is drawn", ""),
    State.ELSEWHERE: (
        "Link {} is plugged into other ports",
        "Plug it as drawn, or correct the drawing and the map: who pulls it in a fault must find it.",
    ),
    State.OTHER: (
        "At link {} another device is plugged in",
        f"Find out which cable is where before anybody relies on the ring. {AT_THE_GEAR}",
    ),
    State.MISSING: (
        "Link {} is not there",
        f"Both switches speak LLDP and do not see each other: look at cable, plugs and ports. {AT_THE_GEAR}",
    ),
}


def _named(name: str, port: str) -> str:
    return f"{name} port {port}" if port else name


def _extra(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    found = topology_of(context)
    if not found.tells:
        return
    extra = [edge for edge in found.edges if edge.state is State.EXTRA]
    for edge in extra:
        (one, port), (other, far_port) = edge.ends
        yield check.find(
            "lineup",
            Verdict.REVIEW,
            f"{other} is plugged into {one}, and the map has no such link",
            observed=f"{one} port {port} sees {_named(other, far_port)}",
            expected="a link of the map",
            point=f"{one} {port}",
            evidence=tuple(seen.line for seen in edge.seen),
            advice="Add the link to the map, or find out who plugged it in.",
        )
    if not extra:
        yield check.find(
            "lineup",
            Verdict.PASS,
            check.title,
            observed=f"{count(len(found.neighbours), 'neighbour')} told by {listed(sorted(found.tells))}",
            evidence=tuple(one.line for one in found.neighbours)[:6],
        )


# --- both ends alike ---------------------------------------------------------------------------------------


def _alike(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    pairs = [(link, _ends(context, link)) for link in context.map.links]
    both = [(link, one, two) for link, (one, two) in pairs if one is not None and two is not None]
    told = [(link, one, two) for link, one, two in both if one.up and two.up]
    for link, one, two in told:
        if one.speed_bps and two.speed_bps and one.speed_bps != two.speed_bps:
            seen = (speed_words(one.speed_bps), speed_words(two.speed_bps))
            yield _differ(check, link, "speed", seen, (one.line, two.line))
        if one.duplex and two.duplex and one.duplex != two.duplex:
            yield _differ(check, link, "duplex", (one.duplex, two.duplex), (one.line, two.line))
    if told and not any(_differs(one, two) for _, one, two in told):
        yield check.find(
            "lineup",
            Verdict.PASS,
            check.title,
            observed=some(
                [f"{link.name}: {speed_words(one.speed_bps)} {one.duplex}" for link, one, _ in told]
            ),
            evidence=tuple(line for _, one, two in told for line in (one.line, two.line))[:6],
        )


def _ends(context: LineupContext, link: Link) -> tuple[Interface | None, Interface | None]:
    def at(end: End) -> Interface | None:
        view = views(context).get(end.tag)
        return view.port(end.port) if view is not None and end.port is not None else None

    return at(link.ends[0]), at(link.ends[1])


def _differs(one: Interface, two: Interface) -> bool:
    speeds = one.speed_bps and two.speed_bps and one.speed_bps != two.speed_bps
    return bool(speeds or (one.duplex and two.duplex and one.duplex != two.duplex))


def _differ(
    check: LineupCheck, link: Link, what: str, seen: tuple[str, str], lines: tuple[int, ...]
) -> Finding:
    one, two = link.ends
    return check.find(
        "lineup",
        Verdict.FAIL,
        f"Link {link.name} has not the same {what} at both ends",
        observed=f"{seen[0]} at {one.words}, {seen[1]} at {two.words}",
        expected=f"the same {what}",
        point=f"{link.name} {what}",
        evidence=lines,
        advice="Let both sides negotiate, or set both alike by hand: never one of each.",
    )


# --- engine ids --------------------------------------------------------------------------------------------


def _engines(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    """Source: RFC 3411, 5 (snmpEngineID is unique within an administrative domain; from memory)."""
    ids: dict[bytes, list[str]] = {}
    for tag, view in views(context).items():
        told = view.octets("snmpEngineID")
        if told:
            ids.setdefault(told, []).append(tag)
    doubled = {told: tags for told, tags in ids.items() if len(tags) > 1}
    for told, tags in doubled.items():
        yield check.find(
            "lineup",
            Verdict.FAIL,
            f"One SNMP engine id at {count(len(tags), 'device')}",
            observed=f"{told.hex()} at {listed(tags)}",
            expected="an engine id once",
            point=tags[0],
            evidence=_lines(context, tags),
            advice="Copied settings: give each device an engine id of its own. Until then version 3 of SNMP "
            "with these devices fails now and then, and looks like a bad link.",
        )
    if ids and not doubled:
        tags = [tag for tags in ids.values() for tag in tags]
        yield check.find(
            "lineup",
            Verdict.PASS,
            check.title,
            observed=count(len(ids), "engine id"),
            evidence=_lines(context, tags)[:6],
        )


def _lines(context: LineupContext, tags: Iterable[str]) -> tuple[int, ...]:
    known: Mapping[str, object] = views(context)
    return tuple(line for tag in tags if tag in known for line in views(context)[tag].lines("snmpEngineID"))


CHECKS: tuple[LineupCheck, ...] = (
    LineupCheck(
        id="link.drawn",
        title="Links are where they are drawn",
        needs=(Need.SNMP,),
        why="A ring whose links are not where they are drawn heals on paper only; whoever pulls a cable in a "
        "fault pulls another.",
        source="IEEE 802.1AB (LLDP-MIB: lldpRemTable); rule: map",
        since="0.1",
        danger=6,
        where="links of the map, in a survey",
        run=_neighbours,
        subjects=_has_links,
        required=False,
    ),
    LineupCheck(
        id="link.extra",
        title="No neighbour that is not in the map",
        needs=(Need.SNMP,),
        why="A switch or computer that nobody has drawn can close a loop, hand out addresses, or listen.",
        source="IEEE 802.1AB (LLDP-MIB: lldpRemTable); rule: map",
        since="0.1",
        danger=4,
        where="lineups with switches, in a survey",
        run=_extra,
        subjects=lineup_in_survey,
        required=False,
    ),
    LineupCheck(
        id="link.alike",
        title="Links have the same speed and duplex at both ends",
        needs=(Need.SNMP,),
        why="Two sides that differ pass a few frames, and lose them when traffic is heavy.",
        source="RFC 2863 (IF-MIB), RFC 3635 (EtherLike-MIB)",
        since="0.1",
        danger=6,
        where="links of the map between switches, in a survey",
        run=_alike,
        subjects=_has_links,
        required=False,
    ),
    LineupCheck(
        id="link.engine_id",
        title="No SNMP engine id seen twice",
        needs=(Need.SNMP,),
        why="Two devices with one engine id lock each other out of supervision by SNMP version 3.",
        source="RFC 3411, 5 (SNMP-FRAMEWORK-MIB: snmpEngineID)",
        since="0.1",
        danger=3,
        where="lineups with switches, in a survey",
        run=_engines,
        subjects=lineup_in_survey,
        required=False,
    ),
)
