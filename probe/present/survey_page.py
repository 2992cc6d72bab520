"""Survey page: what a survey intends, and what it found on the wire, for people. Pure but for ``show``."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from probe.collect.events import AuditResult, RunPlan
from probe.judge.network.neighbourhood import neighbour_words
from probe.judge.network.strangers import Stranger, strangers_of
from probe.judge.network.wire_view import WireView
from probe.present import summary, switch_page
from probe.present.console import clean
from probe.present.page import facts, page_width, paragraph, print_rows
from probe.present.phrase import time_phrase
from probe.present.row import Piece, Row, cut
from probe.present.signs import Signs, signs_for

if TYPE_CHECKING:
    from rich.console import Console

CAUTIONS = (
    (
        "The survey listens first, then asks gently; it writes nothing. A device that allows few connections "
        "may drop another master while it is asked who it is: tell whoever watches this gear beforehand."
    ),
    (
        "Energized gear kills by shock and arc flash. The survey needs no open door: plug in at the switch "
        "or a panel socket outside the arc flash boundary, and follow the site's procedures."
    ),
)
_MOST_TALKS = 8
#: Lines of lists that may be as long as the network is large; devices of the map are always all told.
_MOST_STRANGERS, _MOST_PROPOSED = 60, 12
#: Whom a frame to many is for.
_GROUPS = {
    "ff:ff:ff:ff:ff:ff": "everybody",
    "01:80:c2:00:00:00": "bridges",
    "01:80:c2:00:00:0e": "the neighbour",
    "01:0e:cf:00:00:00": "PROFINET stations",
}


def show_opening(console: Console, plan: RunPlan, *, record: str, signature: str) -> None:
    """Print what the survey intends."""
    print_rows(console, opening(plan, page_width(console), record=record, signature=signature))


def opening(plan: RunPlan, width: int, *, record: str, signature: str) -> list[Row]:
    """What the survey intends as rows of at most ``width`` columns."""
    survey, lineup_map = plan.scope.survey, plan.lineup.map
    assert survey is not None
    if survey.failover:
        return _loss_opening(plan, width, record=record, signature=signature)
    asked = "nothing at all" if not survey.speak else ", ".join(survey.ranges) or "only the map's addresses"
    pairs = [
        ("Network", ", ".join(str(network.subnet) for network in lineup_map.networks)),
        ("Interface", survey.interface or "none: this computer is in no subnet of the map"),
        ("Listens", time_phrase(survey.listen_s)),
        ("Asks", asked + (", plaintext services too" if survey.services else "")),
        ("Record", record),
        ("Signed", signature),
    ]
    rows = paragraph(f"{lineup_map.lineup}, {lineup_map.site}: survey", width, style="bold")
    rows += [*facts(pairs, width, indent=2), Row()]
    for text in CAUTIONS:
        rows += paragraph(text, width, lead=[Piece("Caution   ", "bold yellow")], indent=2)
    return [*rows, Row()]


def _loss_opening(plan: RunPlan, width: int, *, record: str, signature: str) -> list[Row]:
    """What a link-loss test intends; its own cautions come link by link, where a person agrees."""
    survey, lineup_map = plan.scope.survey, plan.lineup.map
    assert survey is not None
    pairs = [
        ("Links", ", ".join(survey.failover)),
        ("Asks", f"{len(plan.scope.tags)} devices fast, by echo and Modbus; it writes nothing"),
        ("Record", record),
        ("Signed", signature),
    ]
    rows = paragraph(f"{lineup_map.lineup}, {lineup_map.site}: link-loss test", width, style="bold")
    return [*rows, *facts(pairs, width, indent=2), Row()]


def show(
    console: Console, result: AuditResult, closing: summary.Closing, *, proposal: str, written: str
) -> None:
    """Print what was found and judged. proposal: map lines; written: the file they went to, if any."""
    signs = signs_for(console.encoding, os.environ.get("TERM", ""))
    width = page_width(console)
    rows = [
        *found_rows(result, width, signs),
        *switch_page.agent_rows(result, width, signs),
        *switch_page.loss_rows(result, width, signs),
        *summary.summary(result, width, signs),
    ]
    rows += _proposal_rows(proposal, written, width)
    print_rows(console, [*rows, *summary.closing_rows(closing, width)])


def found_rows(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """Who is on the wire: addresses, neighbours, who talks most."""
    view = WireView(result.lineup.map, result.network)
    rows = _host_rows(view, width, signs)
    lists = (
        ("Neighbours", [neighbour_words(said) for _, said in view.neighbours]),
        ("Bridges", list(dict.fromkeys(str(b.bridge) for _, b in view.bpdus if b.bridge is not None))),
        ("Stations", [f"{s.name or 'no name'}, {s.address}" for _, s in view.stations]),
        ("Busiest", _talk_words(view)),
    )
    for title, items in lists:
        for number, item in enumerate(items[:_MOST_TALKS]):
            lead = Piece(f"{title if number == 0 else '':<12}", "dim")
            rows.append(Row([lead, Piece(cut(clean(item), width - 12, signs.ellipsis))]))
    return rows


def _host_rows(view: WireView, width: int, signs: Signs) -> list[Row]:
    """One line an address: who it is by the map, and what it said if the map does not hold it."""
    strangers = {one.address: one for one in strangers_of(view) if one.address}
    addresses = sorted(set(view.owners) | set(view.tags), key=_in_order)
    if not addresses:
        return []
    rows = [Row(), Row([Piece(f"{'Address':<17}{'Hardware address':<19}Device", "dim")])]
    unknown = [address for address in addresses if address not in view.tags]
    untold = set(unknown[_MOST_STRANGERS:])
    for address in addresses:
        if address in untold:
            continue
        owners = list(view.owners.get(address, {"": []})) or [""]
        for hardware in owners:
            rows.append(_host_row(view, address, hardware, strangers, width, signs))
    if untold:
        rows += paragraph(f"and {len(untold)} further addresses that the map does not hold", width)
    return rows


def _host_row(
    view: WireView,
    address: str,
    hardware: str,
    strangers: Mapping[str, Stranger],
    width: int,
    signs: Signs,
) -> Row:
    tags = view.tags.get(address)
    if tags:
        silent = not hardware and address not in view.signs_of_life and bool(view.was_asked(address))
        drawn = view.map.by_tag[tags[0]].hardware_address
        other = bool(drawn and hardware and hardware != drawn)
        remark = " (missing)" if silent else ": not its hardware address" if other else ""
        name, style = ", ".join(tags) + remark, "bold red" if remark else ""
    elif address in view.router_addresses:
        name, style = "router of the map", ""
    elif address in strangers:
        said = ", ".join(strangers[address].said.values()) or "says nothing of itself"
        name, style = f"not on the map: {said}", "bold yellow"
    else:
        name, style = "another device's second address", "bold yellow"
    text = cut(clean(name), max(width - 36, 10), signs.ellipsis)
    return Row([Piece(f"{address:<17}{hardware or '-':<19}"), Piece(text, style)])


def _talk_words(view: WireView) -> list[str]:
    """The busiest pairs, busiest first, as ``A to B: modbus, 120 frames``."""
    talks = sorted((talk for _, talk in view.talks), key=lambda talk: -talk.frames)
    return [
        f"{view.name_of_hardware(talk.source)} to {_to(view, talk.destination)}: {talk.protocol}, "
        f"{talk.frames} frame{'s' if talk.frames != 1 else ''}"
        for talk in talks
    ]


def _to(view: WireView, hardware: str) -> str:
    if hardware in _GROUPS:
        return _GROUPS[hardware]
    if hardware in view.own_hardware:
        return "this computer"
    return view.name_of_hardware(hardware)


def _proposal_rows(proposal: str, written: str, width: int) -> list[Row]:
    """The proposed map lines, or where they were written."""
    if not proposal:
        return []
    if written:
        return [Row(), *paragraph(f"Map lines for strangers are in {written}.", width)]
    lines: Sequence[str] = proposal.splitlines()
    many = sum(line.startswith("  - tag:") for line in lines)
    if many > _MOST_PROPOSED:
        text = f"{many} strangers: with --propose FILE their map lines go into a file."
        return [Row(), *paragraph(text, width)]
    return [Row(), *(Row([Piece(clean(line), "dim")]) for line in lines)]


def _in_order(address: str) -> tuple[int, ...]:
    return tuple(int(part) for part in address.split("."))
