"""What the traffic itself says: storms, loops, passwords in the clear, services that should not be there."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.check import LineupCheck, Need
from probe.judge.lineup_context import LineupContext
from probe.judge.network.addresses import lineup_of_a_survey
from probe.judge.network.wire_view import WireView, view_of
from probe.judge.wording import count, listed, some
from probe.model.finding import Finding, Verdict
from probe.model.frames.wording import words
from probe.model.lineup import Lineup
from probe.model.network_evidence import ServiceOutcome, ServiceProbe
from probe.model.scope import Scope

#: Frames to everybody in the busiest second; common practice, no source.
MANY, STORM = 100, 1_000
MANY_ARP = 50


def _storm(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.could_hear:
        yield check.untested("lineup", view.why_deaf)
        return
    busiest = max(one.busiest for _, one in view.listenings)
    arps = max(one.busiest_arp for _, one in view.listenings)
    verdict = Verdict.FAIL if busiest > STORM else Verdict.REVIEW
    if busiest <= MANY and arps <= MANY_ARP:
        verdict = Verdict.PASS
    yield check.find(
        "lineup",
        verdict,
        {
            Verdict.PASS: "Little traffic to everybody",
            Verdict.REVIEW: "Much traffic to everybody",
            Verdict.FAIL: "A storm of frames to everybody",
        }[verdict],
        observed=f"{busiest} in the busiest second, ARP {arps}",
        expected=f"at most {MANY}, ARP {MANY_ARP}",
        unit="frames/s",
        evidence=tuple(number for number, _ in view.listenings),
        advice="" if verdict is Verdict.PASS else f"{_loudest(view)} {_ADVICE_STORM}",
    )


_ADVICE_STORM = (
    "Look for a loop (two cables between the same switches without spanning tree) and for the device that "
    "sends most; small devices fall over under such load."
)


def _loudest(view: WireView) -> str:
    """Who sends most to everybody."""
    to_many = [talk for _, talk in view.talks if int(talk.destination[:2], 16) & 1]
    if not to_many:
        return ""
    loudest = max(to_many, key=lambda talk: talk.frames)
    who = view.name_of_hardware(loudest.source)
    return f"Most came from {who}: {loudest.frames} frames {loudest.protocol}."


STORM_CHECK = LineupCheck(
    id="network.storm",
    title="Little traffic to everybody",
    needs=(Need.NEIGHBOURS,),
    why="Every device must look at every such frame; trip units and meters stop answering long before a "
    "computer notices.",
    source="common practice, no source",
    since="0.1",
    danger=6,
    where="surveys",
    run=_storm,
    subjects=lineup_of_a_survey,
    required=False,
)


def _loop(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.could_hear:
        yield check.untested("lineup", view.why_deaf)
        return
    if any(one.means == "capture library" for _, one in view.listenings):
        yield check.untested("lineup", "on this system frames that come back look like those sent")
        return
    own = {one.hardware_address for _, one in view.chosen} - {""}
    back = [number for number, talk in view.talks if talk.source in own]
    if back:
        yield check.find(
            "lineup",
            Verdict.FAIL,
            "Frames with this computer's own hardware address came back",
            observed=count(len(back), "kind of frame", "kinds of frames"),
            expected="none",
            evidence=tuple(back)[:8],
            advice="There is a loop in the network, or another device has this hardware address (a cloned "
            "virtual machine). Pull the cable that was plugged last.",
        )
    else:
        evidence = tuple(number for number, _ in view.listenings)
        yield check.find("lineup", Verdict.PASS, "No frame of this computer came back", evidence=evidence)


LOOP = LineupCheck(
    id="network.loop",
    title="No frame of this computer comes back",
    needs=(Need.NEIGHBOURS,),
    why="A loop multiplies every frame to everybody until nothing else gets through.",
    source="common practice, no source",
    since="0.1",
    danger=7,
    where="surveys",
    run=_loop,
    subjects=lineup_of_a_survey,
    required=False,
)


def _secrets(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.could_hear:
        yield check.untested("lineup", view.why_deaf)
        return
    for number, one in view.secrets:
        usual = ", one that every new device has" if one.default else ""
        yield check.find(
            "lineup",
            Verdict.FAIL if one.default else Verdict.REVIEW,
            f"A {one.what} of {one.protocol} passed in the clear{usual}",
            observed=f"{view.name(one.source)} to {view.name(one.destination)}",
            expected="nothing that others can read",
            point=f"{one.protocol} {one.source} {one.destination}",
            evidence=(number,),
            advice="Take it for known to everybody on this network: change it, and use a protocol that hides "
            "it (SNMP version 3, SSH, HTTPS). It stands neither here nor in the record.",
        )
    if not view.secrets:
        evidence = tuple(number for number, _ in view.listenings)
        yield check.find("lineup", Verdict.PASS, "No password was seen in the clear", evidence=evidence)


SECRETS = LineupCheck(
    id="network.secrets",
    title="No password passes in the clear",
    needs=(Need.NEIGHBOURS,),
    why="Whoever can read it can open and close breakers by the same way.",
    source="RFC 1157, 4; RFC 959, 4.1.1; RFC 7617, 2; RFC 854 (all from memory)",
    since="0.1",
    danger=6,
    where="surveys; of the traffic that passes this computer's port",
    run=_secrets,
    subjects=lineup_of_a_survey,
    required=False,
)


def _services(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.services:
        yield check.untested("lineup", "no host was asked")
        return
    by_host: dict[str, list[tuple[int, ServiceProbe]]] = {}
    for number, probe in view.services:
        if probe.outcome is ServiceOutcome.OFFERED:
            by_host.setdefault(probe.host, []).append((number, probe))
    for host, offered in by_host.items():
        names = [probe.service for _, probe in offered]
        said = [
            f"{p.service}: {words(p.said.splitlines()[0])}" for _, p in offered if p.said.strip(b"\xff\xfb\0")
        ]
        default = any("default" in name for name in names)
        yield check.find(
            "lineup",
            Verdict.FAIL if default else Verdict.REVIEW,
            f"{view.name(host)} offers {listed(names)}",
            observed=f"{host}" + (f" ({some(said)})" if said else ""),
            expected="no service without encryption that is not needed",
            point=host,
            evidence=tuple(number for number, _ in offered),
            advice="Switch off what is not needed; set names and passwords of your own for the rest.",
        )
    if not by_host:
        hosts = len({probe.host for _, probe in view.services})
        asked = f"{count(hosts, 'host')} asked for ftp, telnet, http, snmp"
        yield check.find("lineup", Verdict.PASS, "No plaintext service is offered", observed=asked)


def _with_services(lineup: Lineup, scope: Scope) -> tuple[str, ...]:
    return ("lineup",) if scope.survey is not None and scope.survey.services else ()


SERVICES = LineupCheck(
    id="network.services",
    title="No plaintext service is offered",
    needs=(Need.NEIGHBOURS,),
    why="A service that nobody uses is a door that nobody watches.",
    source="common practice, no source",
    since="0.1",
    danger=4,
    where="surveys with --services",
    run=_services,
    subjects=_with_services,
    required=False,
)

TRAFFIC_CHECKS = (STORM_CHECK, LOOP, SECRETS, SERVICES)
