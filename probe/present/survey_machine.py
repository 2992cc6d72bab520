"""The result of a survey as one JSON object: that of an audit with what was seen on the wire."""

from __future__ import annotations

from typing import Any

from probe.collect.events import AuditResult
from probe.judge.network.neighbourhood import drawn_switch
from probe.judge.network.strangers import strangers_of
from probe.judge.network.wire_view import WireView
from probe.present import machine
from probe.present.survey_proposal import proposal
from probe.present.switch_machine import agents

FORMAT = "buswitness-survey/1"


def document(result: AuditResult, *, record: str, code: str, exit_code: int) -> dict[str, Any]:
    """The object that ``survey --json`` prints."""
    base = machine.audit_document(result, record=record, code=code, exit_code=exit_code)
    return {**base, "format": FORMAT, "network": network(result)}


def network(result: AuditResult) -> dict[str, Any]:
    """What was seen on the wire; lists in the order in which they were first seen, addresses in theirs."""
    view = WireView(result.lineup.map, result.network)
    survey = result.scope.survey
    return {
        "interface": survey.interface if survey else "",
        "ranges": list(survey.ranges) if survey else [],
        "listening": [_plain(one, ("interface",)) for _, one in view.listenings],
        "hosts": [_host(view, address) for address in sorted(view.owners, key=_in_order)],
        "strangers": [
            {
                "address": one.address or None,
                "hardware_address": one.hardware,
                "said": one.said,
                "modbus": one.modbus,
                "evidence": list(one.evidence),
            }
            for one in strangers_of(view)
        ],
        "conflicts": sorted((a for a, owners in view.owners.items() if len(owners) > 1), key=_in_order),
        "neighbours": [
            {
                **_plain(said),
                "tag": getattr(drawn_switch(view, one, said), "tag", None),
                "evidence": [one.number],
            }
            for one, said in view.neighbours
        ],
        "bridges": list(dict.fromkeys(str(b.bridge) for _, b in view.bpdus if b.bridge is not None)),
        "root": str(view.bpdus[-1][1].root) if view.bpdus and view.bpdus[-1][1].root else None,
        "topology_changes": sum(bpdu.topology_change for _, bpdu in view.bpdus),
        "stations": [{**_plain(said), "hardware_address": one.source} for one, said in view.stations],
        "talks": [_plain(talk) for _, talk in view.talks],
        "services": [
            {"host": p.host, "port": p.port, "service": p.service, "outcome": p.outcome.value}
            for _, p in view.services
        ],
        "proposal": proposal(result) or None,
        **agents(result),
    }


def _host(view: WireView, address: str) -> dict[str, Any]:
    return {
        "address": address,
        "hardware_addresses": list(view.owners[address]),
        "tags": view.tags.get(address, []),
        "evidence": sorted(number for numbers in view.owners[address].values() for number in numbers)[:8],
    }


def _plain(one: Any, without: tuple[str, ...] = ()) -> dict[str, Any]:
    """A NamedTuple as an object (Any: the tuples of decoders and evidence)."""
    found = one._asdict()
    return {
        name: list(value) if isinstance(value, tuple) else value
        for name, value in found.items()
        if name not in without
    }


def _in_order(address: str) -> tuple[int, ...]:
    return tuple(int(part) for part in address.split("."))
