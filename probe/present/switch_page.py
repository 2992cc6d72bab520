"""Switches, links and link-loss tests of a survey as rows for people. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from probe.collect.events import AuditResult
from probe.judge.network.failover import ENOUGH, Trial, between, gathered
from probe.judge.network.spanning_tree import is_spanning, roles, root_address
from probe.judge.network.switch_check import views_in
from probe.judge.network.switch_ports import speed_words
from probe.judge.network.switch_view import SwitchView
from probe.judge.network.topology import Edge, State, Topology, topology
from probe.judge.network.ups_state import UpsState, from_snmp
from probe.judge.wording import span
from probe.model.device_map import Kind
from probe.model.failover_evidence import Means
from probe.present.console import clean
from probe.present.row import Piece, Row, cut
from probe.present.signs import Signs

#: Word and style of each state of a link.
STATES = {
    State.FOUND: ("as drawn", "green"),
    State.ELSEWHERE: ("other ports", "bold red"),
    State.OTHER: ("other device", "bold red"),
    State.MISSING: ("not there", "bold red"),
    State.UNKNOWN: ("nobody tells", "dim"),
    State.EXTRA: ("not in the map", "bold yellow"),
}


def agent_rows(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """Switches, supplies and links, as SNMP told them; nothing where nothing was asked by SNMP."""
    views = views_in(result.network)
    rows: list[Row] = [Row()] if views else []
    devices = result.lineup.map.devices
    switches = [views[d.tag] for d in devices if d.tag in views and d.kind is Kind.SWITCH]
    for view in switches:
        rows += _switch(view, width, signs)
    for device in devices:
        supply = views.get(device.tag)
        if supply is not None and device.kind is Kind.UPS:
            told = supply_words(from_snmp(supply)) if supply.answers_at_all else supply.why_missing()
            rows.append(_line(device.tag, told, width, signs, "" if supply.answers_at_all else "dim"))
    return rows + _links(topology(result.lineup.map, views) if views else None, width, signs)


def _line(lead: str, text: str, width: int, signs: Signs, style: str = "") -> Row:
    return Row(
        [Piece(f"{lead:<12}", "dim"), Piece(cut(clean(text), max(width - 12, 10), signs.ellipsis), style)]
    )


def _switch(view: SwitchView, width: int, signs: Signs) -> list[Row]:
    """One switch: its name and ports, and how it stands in the tree."""
    if not view.answers_at_all:
        return [_line(view.tag, view.why_missing(), width, signs, "dim")]
    up = [one for one in view.ports if one.up]
    speeds = sorted({one.speed_bps for one in up if one.speed_bps}, reverse=True)
    told = f"{len(up)} of {len(view.ports)} ports up"
    told += f", {', '.join(speed_words(bps) for bps in speeds)}" if speeds else ""
    uptime = view.whole("sysUpTime")
    told += f"; runs for {span(uptime / 100)}" if uptime else ""
    rows = [_line(view.tag, told, width, signs)]
    if is_spanning(view):
        ports = ", ".join(f"{name} {text}" for name, text in sorted(roles(view).items()))
        rows.append(_line("", f"root {root_address(view)}; {ports}", width, signs, "dim"))
    return rows


def supply_words(state: UpsState) -> str:
    """How a supply stands, in one line."""
    parts = [f"output {state.source}" if state.source else ""]
    parts.append(f"charge {state.charge.middle:g} %" if state.charge else "")
    parts.append(f"{state.minutes.middle:g} min left" if state.minutes else "")
    parts.append(f"battery test {state.test}" if state.test else "")
    return ", ".join(part for part in parts if part) or "says nothing of its battery"


def _links(found: Topology | None, width: int, signs: Signs) -> list[Row]:
    if found is None or not found.edges:
        return []
    rows = [Row(), Row([Piece(f"{'Link':<12}{'State':<16}Ends", "dim")])]
    return rows + [_edge(edge, width, signs) for edge in found.edges]


def _edge(edge: Edge, width: int, signs: Signs) -> Row:
    word, style = STATES[edge.state]
    name = edge.link.name if edge.link is not None else "-"
    ends = edge_words(edge)
    return Row(
        [
            Piece(f"{cut(name, 11, signs.ellipsis):<12}"),
            Piece(f"{word:<16}", style),
            Piece(cut(clean(ends), max(width - 28, 10), signs.ellipsis)),
        ]
    )


def edge_words(edge: Edge) -> str:
    """Both ends of a link, and what is seen instead where it is not as drawn."""
    ends = " - ".join(f"{name} {port}".rstrip() for name, port in edge.ends)
    if edge.state in (State.ELSEWHERE, State.OTHER):
        seen = "; ".join(
            f"{one.switch} {one.port} sees {one.name} {one.far_port}".rstrip() for one in edge.seen
        )
        return f"{ends}; {seen}"
    return ends


# --- link-loss tests ---------------------------------------------------------------------------------------


def loss_rows(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """How long the replies of each device stayed out, link by link; nothing without such a test."""
    rows: list[Row] = []
    for name, trial in gathered(result.network).items():
        link = next((one for one in result.lineup.map.links if one.name == name), None)
        limit = link.limit if link is not None else None
        allowed = f"at most {span(limit.recovery_ms / 1000)}" if limit else "no limit in the map"
        if trial.reason:
            rows += [Row(), _line(f"Link {name}", trial.reason, width, signs)]
            continue
        rows += [Row(), Row([Piece(f"{'Link ' + name:<24}{'when lost':<24}{'when back':<24}", "dim")])]
        rows += [
            Row([Piece(cut(f"{who:<24}{lost:<24}{back:<24}", width, signs.ellipsis))])
            for who, lost, back in loss_table(trial)
        ]
        rows += [
            _line("", f"Limit: {allowed}" + (f" ({limit.source})" if limit else ""), width, signs, "dim")
        ]
    return rows


def loss_table(trial: Trial) -> Iterator[tuple[str, str, str]]:
    """Device and means, its outage when the link was lost, and when it came back; in words."""
    phases = {phase.word: phase for phase in trial.phases}
    for key in sorted(trial.beats):
        if trial.before(key).answered < ENOUGH:
            yield label(key), "did not answer before", ""
            continue
        told = []
        for word in ("lost", "back"):
            outage = trial.outage(key, phases[word]) if word in phases else None
            told.append("-" if outage is None else between(outage))
        yield label(key), told[0], told[1]


def label(key: tuple[str, Means]) -> str:
    """``52-F1 (echo)``."""
    return f"{key[0]} ({key[1]})"
