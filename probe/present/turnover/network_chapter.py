"""Network as found: switches, links against the map, link-loss tests; from the evidence of a survey."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from probe.judge.network.failover import Trial, gathered
from probe.judge.network.spanning_tree import is_spanning, roles
from probe.judge.network.switch_check import views_in
from probe.judge.network.switch_ports import speed_words
from probe.judge.network.switch_view import SwitchView
from probe.judge.network.topology import Topology, topology
from probe.judge.network.ups_state import from_snmp
from probe.judge.wording import span
from probe.model.device_map import Kind
from probe.model.evidence import Evidence
from probe.model.failover_evidence import Beat, LinkStep
from probe.model.snmp_evidence import SnmpAnswer
from probe.present.switch_page import STATES, edge_words, loss_table, supply_words
from probe.present.topology_svg import edge_sentence, topology_svg
from probe.present.turnover.blocks import Block, Column, Heading, Picture, Table, Text
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.texts import Texts

_KINDS = (SnmpAnswer, LinkStep, Beat)


def found_network(dossier: Dossier, t: Texts, width: float) -> Iterable[Block]:
    """The chapter; nothing where no switch was asked and no link pulled."""
    evidence = _evidence(dossier)
    views, trials = views_in(evidence), gathered(evidence)
    if not views and not trials:
        return
    yield Heading(text=t("survey.heading"), mark="survey", new_page=True)
    yield Text(text=t("survey.intro"))
    if views:
        found = topology(dossier.map, views)
        yield from _picture(found, dossier, views, t, width)
        yield _agents(dossier, views, t)
        yield _ports(views, t)
    for name, trial in trials.items():
        yield from _loss(dossier, name, trial, t)


def _evidence(dossier: Dossier) -> list[tuple[int, Evidence]]:
    items = [item for kind in _KINDS for item in dossier.content.evidence.get(kind, ())]
    return sorted(items, key=lambda item: item[0])


def _picture(
    found: Topology, dossier: Dossier, views: Mapping[str, SwitchView], t: Texts, width: float
) -> Iterable[Block]:
    if not found.edges:
        return
    yield Picture(
        svg=topology_svg(found, dossier.map, views, t("survey.picture")),
        width=min(width, 170.0),
        alternative="; ".join(edge_sentence(edge) for edge in found.edges),
        caption=t("survey.picture"),
    )
    yield Table(
        title=t("survey.links"),
        columns=(Column(t("survey.link")), Column(t("survey.state")), Column(t("survey.ends"), 1)),
        rows=tuple(
            (edge.link.name if edge.link else "–", STATES[edge.state][0], edge_words(edge))
            for edge in found.edges
        ),
        small=True,
    )


def _agents(dossier: Dossier, views: Mapping[str, SwitchView], t: Texts) -> Table:
    def words(tag: str, view: SwitchView) -> str:
        if not view.answers_at_all:
            return view.why_missing()
        if dossier.map.by_tag[tag].kind is Kind.UPS:
            return supply_words(from_snmp(view))
        return "; ".join(part for part in (view.text("sysName"), view.text("sysDescr")) if part)

    known = {tag: view for tag, view in views.items() if tag in dossier.map.by_tag}
    return Table(
        title=t("survey.agents"),
        columns=(Column(t("column.subject")), Column(t("survey.tells"), 1)),
        rows=tuple((tag, words(tag, view)) for tag, view in known.items()),
        small=True,
    )


def _ports(views: Mapping[str, SwitchView], t: Texts) -> Table:
    rows = []
    for tag, view in views.items():
        told = roles(view) if is_spanning(view) else {}
        for one in view.ports:
            state = t("survey.up") if one.up else t("survey.down")
            rows.append(
                (
                    tag,
                    one.name,
                    state,
                    speed_words(one.speed_bps) if one.up else "–",
                    one.duplex or "–",
                    told.get(one.name, "–"),
                )
            )
    names = ("column.subject", "survey.port", "survey.state", "survey.speed", "survey.duplex", "survey.tree")
    return Table(
        title=t("survey.ports"),
        columns=tuple(Column(t(name), 1 if name == "survey.tree" else 0) for name in names),
        rows=tuple(rows),
        small=True,
    )


def _loss(dossier: Dossier, name: str, trial: Trial, t: Texts) -> Iterable[Block]:
    link = next((one for one in dossier.map.links if one.name == name), None)
    limit = link.limit if link is not None else None
    yield Heading(text=t("survey.loss", link=name), level=2)
    if trial.reason:
        yield Text(text=t("survey.not_tested", reason=trial.reason))
        return
    allowed = (
        t("survey.limit", limit=span(limit.recovery_ms / 1000), source=limit.source)
        if limit is not None
        else t("survey.no_limit")
    )
    yield Text(text=" ".join((t("survey.loss_intro"), allowed)))
    yield Table(
        title=t("survey.loss", link=name),
        columns=(
            Column(t("column.subject"), 1),
            Column(t("survey.lost"), 1),
            Column(t("survey.back"), 1),
        ),
        rows=tuple(loss_table(trial)),
        small=True,
    )
