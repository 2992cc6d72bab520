"""The wire as a survey saw it: who was there, what neighbours said, who talked to whom."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.network.neighbourhood import drawn_switch, neighbour_words
from probe.judge.network.strangers import strangers_of
from probe.judge.network.wire_view import WireView
from probe.judge.wording import listed
from probe.present.network_words import interface_words, listening_words
from probe.present.turnover.blocks import Block, Cell, Column, Facts, Heading, Table, Text
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.texts import Texts
from probe.record.rejudge import surveyed

#: Lines of a list; the record holds all.
MOST_HOSTS, MOST_TALKS = 400, 40


def wire(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """The chapter of a record that holds a survey; nothing for others."""
    headers = (dossier.content.header, *(run.header for run in dossier.content.runs))
    scopes = [header.scope.survey for header in headers if header.scope.survey is not None]
    if not scopes:
        return
    view = WireView(dossier.map, surveyed(dossier.content))
    yield Heading(text=t("wire.heading"), mark="wire", new_page=True)
    yield Text(text=t("wire.intro"))
    ranges = [text for scope in scopes for text in scope.ranges]
    own = [interface_words(one) for _, one in view.chosen]
    heard = [listening_words(one) for _, one in view.listenings]
    pairs = [
        (t("wire.own"), listed(own) or t("wire.no_interface")),
        (t("wire.heard"), "; ".join(heard)),
        (t("wire.asked"), listed(ranges) or t("wire.map_only")),
    ]
    yield Facts(pairs=tuple(pair for pair in pairs if pair[1]))
    yield from _hosts(view, t)
    yield from _neighbours(view, t)
    yield from _talks(view, t)


def _hosts(view: WireView, t: Texts) -> Iterable[Block]:
    """Every address that was seen or drawn, and who has it."""
    strangers = {one.address: one for one in strangers_of(view) if one.address}
    rows: list[tuple[Cell, ...]] = []
    for address in sorted(set(view.owners) | set(view.tags), key=_in_order):
        owners = view.owners.get(address) or {"": []}
        for hardware, numbers in owners.items():
            if address in view.tags:
                who, said = listed(view.tags[address]), "" if hardware else t("wire.missing")
            elif address in view.router_addresses:
                who, said = t("wire.router"), ""
            else:
                who = t("wire.stranger")
                said = ", ".join(strangers[address].said.values()) if address in strangers else ""
            rows.append((address, hardware or "–", who, said, ", ".join(map(str, numbers[:3]))))
    if not rows:
        return
    yield Heading(text=t("wire.hosts"), level=2)
    if len(rows) > MOST_HOSTS:
        yield Text(text=t("wire.more", many=str(len(rows) - MOST_HOSTS)), manner="small")
    yield Table(
        title=t("wire.hosts"),
        columns=(
            Column(t("wire.address")),
            Column(t("wire.hardware")),
            Column(t("wire.device"), 1.4),
            Column(t("wire.said"), 2),
            Column(t("wire.lines"), right=True),
        ),
        rows=tuple(rows[:MOST_HOSTS]),
        small=True,
    )


def _neighbours(view: WireView, t: Texts) -> Iterable[Block]:
    """Neighbours, bridges, stations, announced clocks and routers."""
    rows: list[tuple[Cell, ...]] = []
    for one, said in view.neighbours:
        device = drawn_switch(view, one, said)
        rows.append(
            ("LLDP", one.source, neighbour_words(said), device.tag if device else "–", str(one.number))
        )
    bridges = {one.source: (one, bpdu) for one, bpdu in view.bpdus}
    for source, (one, bpdu) in bridges.items():
        rows.append((t("wire.tree"), source, t("wire.root", root=str(bpdu.root)), "–", str(one.number)))
    for one, station in view.stations:
        words = ", ".join(part for part in (station.name, station.address, station.mask) if part)
        rows.append(("PROFINET", one.source, words, "–", str(one.number)))
    if not rows:
        return
    yield Heading(text=t("wire.neighbours"), level=2)
    yield Table(
        title=t("wire.neighbours"),
        columns=(
            Column(t("wire.by")),
            Column(t("wire.hardware")),
            Column(t("wire.said"), 2),
            Column(t("wire.device")),
            Column(t("wire.lines"), right=True),
        ),
        rows=tuple(rows),
        small=True,
    )


def _talks(view: WireView, t: Texts) -> Iterable[Block]:
    """Who talked most to whom while the survey listened."""
    talks = sorted((talk for _, talk in view.talks), key=lambda talk: -talk.frames)
    if not talks:
        return
    yield Heading(text=t("wire.talks"), level=2)
    yield Table(
        title=t("wire.talks"),
        columns=(
            Column(t("wire.source"), 1.4),
            Column(t("wire.destination"), 1.4),
            Column(t("wire.protocol"), 1),
            Column(t("wire.frames"), right=True),
        ),
        rows=tuple(
            (
                view.name_of_hardware(talk.source),
                view.name_of_hardware(talk.destination),
                talk.protocol,
                str(talk.frames),
            )
            for talk in talks[:MOST_TALKS]
        ),
        small=True,
    )


def _in_order(address: str) -> tuple[int, ...]:
    return tuple(int(part) for part in address.split("."))
