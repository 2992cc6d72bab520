"""Switches, supplies, links and link-loss tests of a survey for machines: plain objects for ``--json``."""

from __future__ import annotations

from typing import Any

from probe.collect.events import AuditResult
from probe.judge.network.failover import Trial, gathered
from probe.judge.network.outage import Outage
from probe.judge.network.spanning_tree import is_spanning, own_address, roles, root_address
from probe.judge.network.switch_check import views_in
from probe.judge.network.switch_view import SwitchView
from probe.judge.network.topology import Edge, topology
from probe.judge.network.ups_state import from_snmp
from probe.model.device_map import Kind


def agents(result: AuditResult) -> dict[str, Any]:
    """``switches``, ``supplies``, ``links`` and ``link_loss``: lists in the map's order."""
    views = views_in(result.network)
    kinds = {device.tag: device.kind for device in result.lineup.map.devices}
    order = [tag for tag in kinds if tag in views]
    return {
        "switches": [_switch(views[tag]) for tag in order if kinds[tag] is Kind.SWITCH],
        "supplies": [_supply(views[tag]) for tag in order if kinds[tag] is Kind.UPS],
        "links": [_edge(edge) for edge in topology(result.lineup.map, views).edges] if views else [],
        "link_loss": [_trial(trial) for trial in gathered(result.network).values()],
    }


def _switch(view: SwitchView) -> dict[str, Any]:
    told = roles(view) if is_spanning(view) else {}
    return {
        "tag": view.tag,
        "answers": view.answers_at_all,
        "reason": None if view.answers_at_all else view.why_missing(),
        "name": view.text("sysName") or None,
        "description": view.text("sysDescr") or None,
        "bridge": own_address(view) or None,
        "root": root_address(view) or None,
        "ports": [
            {
                "name": one.name,
                "up": one.up,
                "speed_bps": one.speed_bps or None,
                "duplex": one.duplex or None,
                "tree": told.get(one.name),
            }
            for one in view.ports
        ],
    }


def _supply(view: SwitchView) -> dict[str, Any]:
    state = from_snmp(view)
    return {
        "tag": view.tag,
        "answers": view.answers_at_all,
        "reason": None if view.answers_at_all else view.why_missing(),
        "on_battery": state.on_battery,
        "source": state.source or None,
        "charge_percent": state.charge.middle if state.charge else None,
        "minutes_left": state.minutes.middle if state.minutes else None,
        "battery_test": state.test.value if state.test else None,
        "alarms": state.alarms,
    }


def _edge(edge: Edge) -> dict[str, Any]:
    return {
        "name": edge.link.name if edge.link is not None else None,
        "state": edge.state.value,
        "ends": [{"name": name, "port": port or None} for name, port in edge.ends],
        "seen": [
            {"switch": one.switch, "port": one.port, "neighbour": one.name, "far_port": one.far_port or None}
            for one in edge.seen
        ],
        "evidence": [one.line for one in edge.seen],
    }


def _trial(trial: Trial) -> dict[str, Any]:
    phases = {phase.word: phase for phase in trial.phases}
    return {
        "link": trial.link,
        "reason": trial.reason or None,
        "rows": [
            {
                "tag": key[0],
                "means": key[1].value,
                "answered_before": trial.before(key).answered,
                **{
                    word: _outage(trial.outage(key, phases[word])) if word in phases else None
                    for word in ("lost", "back")
                },
            }
            for key in sorted(trial.beats)
        ],
    }


def _outage(outage: Outage | None) -> dict[str, Any] | None:
    """Bounds in seconds; high_s null for a silence that nothing ended."""
    if outage is None:
        return None
    return {
        "low_s": outage.seconds.low,
        "high_s": outage.seconds.high if outage.is_over else None,
        "lost": outage.lost,
        "evidence": list(outage.lines),
    }
