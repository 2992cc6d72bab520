"""Checks on a switch and its ports: that it tells, that it runs on, link, speed, duplex."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from probe.judge.check import LineupCheck
from probe.judge.lineup_context import LineupContext
from probe.judge.network.rates import change, restarted
from probe.judge.network.switch_check import agent_check, drawn_ports
from probe.judge.network.switch_view import Interface, SwitchView
from probe.judge.wording import AT_THE_GEAR, count, some, span
from probe.model.finding import Finding, Verdict
from probe.model.map_network import Port


def speed_words(bps: int) -> str:
    """``100 Mbit/s``, ``1 Gbit/s``; ``not told`` for 0."""
    if not bps:
        return "not told"
    return f"{bps / 1e9:g} Gbit/s" if bps >= 1_000_000_000 else f"{bps / 1e6:g} Mbit/s"


# --- link, speed, duplex -----------------------------------------------------------------------------------


def _links(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    drawn = list(drawn_ports(context, view.tag))
    if not view.interfaces:
        return
    wrong = [finding for port in drawn for finding in _link(check, view, port)]
    yield from wrong
    if wrong:
        return
    up = [one.name for one in view.ports if one.up]
    named = f"all {count(len(drawn), 'port')} of the map as drawn; " if drawn else ""
    yield check.find(
        view.tag,
        Verdict.PASS if drawn else Verdict.REVIEW,
        "Ports are up and down as drawn" if drawn else "Which ports should be up, the map does not say",
        observed=f"{named}{len(up)} of {len(view.ports)} up: {some(up)}",
        expected="as drawn" if drawn else "ports or links in the map",
        evidence=view.lines("ifOperStatus")[:4],
        advice="" if drawn else "Add links: or the switch's ports: to the map.",
    )


def _link(check: LineupCheck, view: SwitchView, port: Port) -> Iterator[Finding]:
    found = view.port(port.name)
    if found is None:
        yield check.find(
            view.tag,
            Verdict.REVIEW,
            f"The switch has no port called {port.name}, or several",
            observed=some([one.name for one in view.ports], 8),
            expected=port.name,
            point=port.name,
            evidence=view.lines("ifName", "ifDescr")[:2],
            advice="Write the port in the map as the switch calls it (its ifName).",
        )
    elif port.used and not found.up:
        off = "" if found.wanted else "; it is switched off in the switch"
        yield check.find(
            view.tag,
            Verdict.FAIL,
            f"Port {found.name} is down",
            observed=f"down{off}",
            expected="up",
            point=found.name,
            evidence=(found.line,),
            advice=f"Look at cable, plug and device at its far end. {AT_THE_GEAR}",
        )
    elif not port.used and found.up:
        yield check.find(
            view.tag,
            Verdict.FAIL,
            f"Port {found.name} is in use, and should not be",
            observed="up",
            expected="nothing plugged in",
            point=found.name,
            evidence=(found.line,),
            advice="Find out what is plugged in, or correct the map; switch unused ports off.",
        )


def _speed(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    wanted = {port.name: port for port in drawn_ports(context, view.tag) if port.speed_mbps}
    judged = [(port, view.port(name)) for name, port in wanted.items()]
    told = [(port, one) for port, one in judged if one is not None and one.up and one.speed_bps]
    slow = [(port, one) for port, one in told if one.speed_bps != (port.speed_mbps or 0) * 1_000_000]
    for port, one in slow:
        yield check.find(
            view.tag,
            Verdict.FAIL,
            f"Port {one.name} runs at {speed_words(one.speed_bps)}",
            observed=speed_words(one.speed_bps),
            expected=speed_words((port.speed_mbps or 0) * 1_000_000),
            point=one.name,
            evidence=view.lines("ifHighSpeed", "ifSpeed")[:2],
            advice="A pair is broken, or one side is set by hand: let both negotiate, or set both alike.",
        )
    if told and not slow:
        yield check.find(
            view.tag,
            Verdict.PASS,
            "Ports run at the speed drawn",
            observed=f"{count(len(told), 'port')} of {len(wanted)} that the map gives a speed",
            evidence=view.lines("ifHighSpeed", "ifSpeed")[:2],
        )
    elif not wanted and view.ports:
        speeds = sorted({one.speed_bps for one in view.ports if one.up and one.speed_bps})
        yield check.untested(
            view.tag,
            "the map gives no speeds"
            + (f" (seen: {some([speed_words(s) for s in speeds])})" if speeds else ""),
        )


def _duplex(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    told = [one for one in view.ports if one.up and one.duplex]
    allowed = {port.name: port.duplex for port in drawn_ports(context, view.tag)}
    for one in told:
        wanted = next((d for name, d in allowed.items() if view.port(name) == one and d), "full")
        if one.duplex != wanted:
            yield _wrong_duplex(check, view, one, wanted)
    if told and all(one.duplex == "full" for one in told):
        mismatch = [finding for one in told for finding in _mismatch(check, view, one)]
        yield from mismatch
        if not mismatch:
            yield check.find(
                view.tag,
                Verdict.PASS,
                "No port runs at half duplex",
                observed=f"{count(len(told), 'port')} at full duplex",
                evidence=view.lines("dot3StatsDuplexStatus")[:2],
            )


def _wrong_duplex(check: LineupCheck, view: SwitchView, one: Interface, wanted: str) -> Finding:
    late = change(view, "dot3StatsLateCollisions", one)
    seen = f"; {late.rise} late collisions in {span(late.seconds.high)}" if late and late.rise else ""
    return check.find(
        view.tag,
        Verdict.FAIL,
        f"Port {one.name} runs at {one.duplex} duplex",
        observed=f"{one.duplex} duplex{seen}",
        expected=f"{wanted} duplex",
        point=one.name,
        evidence=view.lines("dot3StatsDuplexStatus")[:2],
        advice="One side negotiates and the other is set by hand: then the negotiating side falls to half "
        "duplex and frames are lost under load. Set both sides alike.",
    )


def _mismatch(check: LineupCheck, view: SwitchView, one: Interface) -> Iterator[Finding]:
    """Checksum errors on a full-duplex port whose far side collides: the sign of the other half."""
    bad = change(view, "dot3StatsFCSErrors", one)
    if bad is not None and bad.rise:
        yield check.find(
            view.tag,
            Verdict.REVIEW,
            f"Port {one.name}: frames with wrong checksums, the far side may run at half duplex",
            observed=f"{bad.rise} in {span(bad.seconds.high)}",
            expected="0",
            point=one.name,
            evidence=bad.lines,
            advice="Compare the duplex of the far side; if both are full, it is cable, plug or fibre.",
            danger=3,
        )


def _restart(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterable[Finding]:
    again = restarted(view)
    if again is None:
        return ()
    uptime = view.whole("sysUpTime", 1) or 0
    return (
        check.find(
            view.tag,
            Verdict.FAIL if again else Verdict.PASS,
            "The switch or its agent started again while it was watched" if again else check.title,
            observed=f"it says that it has run for {span(uptime / 100)}",
            expected="no restart",
            evidence=view.lines("sysUpTime"),
            advice="A switch that restarts takes the network with it: look at its supply and its log."
            if again
            else "",
        ),
    )


def _answers(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterable[Finding]:
    name = view.text("sysName")
    cut = sorted({answer.object for _, answer in view.answers if view.is_cut(answer.object)})
    if cut:
        return (_cut(check, view, cut),)
    return (
        check.find(
            view.tag,
            Verdict.PASS,
            check.title,
            observed="; ".join(part for part in (name, view.text("sysDescr")) if part) or "it answers",
            evidence=tuple(sorted({number for number, _ in view.answers}))[:2],
        ),
    )


def _cut(check: LineupCheck, view: SwitchView, cut: list[str]) -> Finding:
    """What could not be read to its end."""
    lines = [(number, one) for number, one in view.answers if one.object in cut]
    return check.find(
        view.tag,
        Verdict.REVIEW,
        "The switch tells only a part of itself by SNMP",
        observed=f"{lines[-1][1].outcome} at {some(cut)}",
        expected="whole tables",
        evidence=tuple(number for number, _ in lines)[-4:],
        advice="Its agent went round in circles, or fell silent while it told its tables: what follows from "
        "them is incomplete. Ask its maker for newer firmware; survey again.",
    )


CHECKS: tuple[LineupCheck, ...] = (
    agent_check(
        _answers,
        id="switch.tells",
        title="The switch tells about itself by SNMP",
        lacks="SNMP",
        why="What a switch does not tell, nobody sees: errors, half duplex and a ring that lies open stay "
        "hidden until the day it matters.",
        source="RFC 3418 (SNMPv2-MIB)",
        danger=1,
    ),
    agent_check(
        _restart,
        id="switch.steady",
        title="The switch did not restart while it was watched",
        lacks="sysUpTime twice",
        why="Everything behind a switch is unseen and uncontrolled while it starts.",
        source="RFC 3418 (SNMPv2-MIB: sysUpTime)",
        danger=7,
        twice=True,
    ),
    agent_check(
        _links,
        id="switch.link",
        title="Ports are up and down as drawn",
        lacks="RFC 2863 (IF-MIB)",
        why="A ring with one port down works, once: the next fault takes the lineup off the network. A port "
        "that is up and should not be is a cable that nobody has drawn.",
        source="RFC 2863 (IF-MIB: ifOperStatus, ifAdminStatus); rule: map",
        danger=6,
    ),
    agent_check(
        _speed,
        id="switch.speed",
        title="Ports run at the speed drawn",
        lacks="RFC 2863 (IF-MIB)",
        why="A link that came up slower has a broken pair or a side that was set by hand.",
        source="RFC 2863 (IF-MIB: ifHighSpeed, ifSpeed); rule: map",
        danger=4,
    ),
    agent_check(
        _duplex,
        id="switch.duplex",
        title="No port runs at half duplex",
        lacks="RFC 3635 (EtherLike-MIB), which tells the duplex",
        why="Half duplex on one side only loses frames just when traffic is heavy: when alarms come.",
        source="RFC 3635 (EtherLike-MIB: dot3StatsDuplexStatus, dot3StatsLateCollisions)",
        danger=6,
    ),
)
