"""How a check on switches is made: one subject a switch of the map, judged on what SNMP told of it.

A switch without SNMP, or without the table that a check needs, is "not tested" with the reason: absence of
SNMP or LLDP says nothing about the network.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from probe.judge.check import LineupCheck, Need
from probe.judge.lineup_context import LineupContext
from probe.judge.network.switch_view import SwitchView
from probe.model.device_map import Kind
from probe.model.evidence import Evidence
from probe.model.finding import Finding
from probe.model.lineup import Lineup
from probe.model.map_network import Port
from probe.model.scope import Scope
from probe.model.snmp_evidence import SnmpAnswer

SwitchJudge = Callable[[LineupCheck, SwitchView, LineupContext], Iterable[Finding]]
_MEMORY = "network: what agents told"

ASK_IT = (
    "Say in the map how the switch is asked (snmp:), set its community name or keys in the environment, and "
    "let this computer's address through its filter."
)


def tags_of(kind: Kind) -> Callable[[Lineup, Scope], Iterable[str]]:
    """The subjects of a check on devices of a kind: those of the survey's scope."""

    def subjects(lineup: Lineup, scope: Scope) -> Iterable[str]:
        if scope.survey is None:
            return ()
        return tuple(tag for tag in scope.tags if lineup.map.by_tag[tag].kind is kind)

    return subjects


def lineup_in_survey(lineup: Lineup, scope: Scope) -> Iterable[str]:
    """The subject of a check across switches."""
    switches = tags_of(Kind.SWITCH)(lineup, scope)
    return ("lineup",) if tuple(switches) else ()


def views(context: LineupContext) -> Mapping[str, SwitchView]:
    """What each agent told, by tag; worked out once for a run."""
    known: dict[str, SwitchView] | None = context.memory.get(_MEMORY)
    if known is None:
        known = context.memory[_MEMORY] = views_in(context.run.network)
    return known


def views_in(evidence: Iterable[tuple[int, Evidence]]) -> dict[str, SwitchView]:
    """What each agent told, by tag, from a run's evidence of the network."""
    answers: dict[str, list[tuple[int, SnmpAnswer]]] = {}
    for number, one in evidence:
        if isinstance(one, SnmpAnswer):
            answers.setdefault(one.tag, []).append((number, one))
    return {tag: SwitchView(tag, found) for tag, found in answers.items()}


def view_of(context: LineupContext, tag: str) -> SwitchView:
    """What one agent told; a view of nothing if it was not asked."""
    return views(context).get(tag) or SwitchView(tag, ())


def unasked_reason(view: SwitchView, context: LineupContext) -> str:
    """Why an agent told nothing."""
    if not view.answers and context.map.by_tag[view.tag].snmp is None:
        return "the map does not say how to ask it by SNMP"
    return view.why_missing()


def drawn_ports(context: LineupContext, tag: str) -> Iterator[Port]:
    """Ports of a switch of which the map says something: its own list and the links."""
    named = {port.name: port for port in context.map.by_tag[tag].ports}
    for link in context.map.links:
        end = link.end_at(tag)
        if end is not None and end.port is not None:
            base = named.get(end.port, Port(name=end.port))
            named[end.port] = Port(
                name=end.port,
                used=True,
                speed_mbps=link.speed_mbps or base.speed_mbps,
                duplex=link.duplex or base.duplex,
            )
    yield from named.values()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """The run of a check over its subjects. lacks: the MIB without which it cannot say anything."""

    judge: SwitchJudge
    kind: Kind
    lacks: str

    def __call__(self, check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
        for tag in tags_of(self.kind)(context.lineup, context.scope):
            view = view_of(context, tag)
            if not view.answers_at_all:
                yield check.untested(tag, unasked_reason(view, context), advice=ASK_IT)
                continue
            found = list(self.judge(check, view, context))
            yield from found or [check.untested(tag, view.why_missing(self.lacks))]


def agent_check(  # noqa: PLR0913 (the fields of a registration)
    judge: SwitchJudge,
    *,
    id: str,  # noqa: A002 (the field's name)
    title: str,
    lacks: str,
    why: str,
    source: str,
    danger: int,
    kind: Kind = Kind.SWITCH,
    twice: bool = False,
) -> LineupCheck:
    """A check on every agent of a kind. twice: it needs two readings."""
    word = "switches" if kind is Kind.SWITCH else "supplies (UPS)"
    return LineupCheck(
        id=id,
        title=title,
        needs=(Need.SNMP, Need.ROUNDS) if twice else (Need.SNMP,),
        why=why,
        source=source,
        since="0.1",
        danger=danger,
        where=f"{word} that are asked by SNMP, in a survey",
        run=_Run(judge=judge, kind=kind, lacks=lacks),
        subjects=tags_of(kind),
        required=False,
    )
