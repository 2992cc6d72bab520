"""What bridges, routers and clocks say by themselves: neighbours, spanning tree, announcements, stations."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.check import LineupCheck, Need
from probe.judge.lineup_context import LineupContext
from probe.judge.network.addresses import lineup_of_a_survey, on_the_wire
from probe.judge.network.own_computer import NEIGHBOUR_S
from probe.judge.network.wire_view import Heard, WireView, view_of
from probe.judge.wording import listed, some, span
from probe.model.device_map import Device, Kind
from probe.model.finding import Finding, Verdict
from probe.model.frames.announcement import DhcpAnswer, NtpBroadcast, PtpAnnounce
from probe.model.frames.lldp import Lldp
from probe.model.frames.stp import times_fit
from probe.model.lineup import Lineup
from probe.model.scope import Scope

# neighbours by LLDP ---------------------------------------------------------------------------------------


def neighbour_words(said: Lldp) -> str:
    """A neighbour in one line: name, port, what it says of the link."""
    name = said.name or said.chassis
    port = said.port if not said.port_is_hardware or not said.port_description else said.port_description
    link = " ".join(part for part in (said.medium, f"{said.duplex} duplex" if said.duplex else "") if part)
    return f"{name} port {port}" + (f" ({link})" if link else "")


def drawn_switch(view: WireView, one: Heard, said: Lldp) -> Device | None:
    """The device of the map that a neighbour is: by name, management address or hardware address."""
    for device in view.map.devices:
        names = {device.tag.casefold(), (device.identity.serial or "").casefold()} - {""}
        if said.name.casefold() in names or (device.address.host or "?") in said.managed_at:
            return device
        if device.hardware_address and device.hardware_address in (one.source, said.chassis):
            return device
    return None


def _neighbours(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.neighbours:
        listened = sum(one.finished_ns - one.started_ns for _, one in view.listenings) / 1e9
        why = "no neighbour spoke LLDP" if view.could_hear else view.why_deaf
        if view.could_hear and listened < NEIGHBOUR_S:
            why = f"no neighbour spoke LLDP within {span(listened)}; listen {NEIGHBOUR_S:g} s or longer"
        yield check.untested("lineup", why)
        return
    switches = [device for device in view.map.devices if device.kind is Kind.SWITCH]
    for one, said in view.neighbours:
        device = drawn_switch(view, one, said)
        half = said.duplex == "half"
        strange = device is None and bool(switches)
        verdict = Verdict.FAIL if half else Verdict.REVIEW if strange else Verdict.PASS
        title = "This cable ends at a neighbour that is drawn" if device else "This cable ends at a neighbour"
        if half:
            title = "The neighbour's port runs at half duplex"
        elif strange:
            title = "This cable ends at a neighbour that the map does not hold"
        yield check.find(
            "lineup",
            verdict,
            title,
            observed=neighbour_words(said),
            expected=f"one of {some([d.tag for d in switches])}" if switches else "",
            point=one.source,
            evidence=(one.number,),
            advice="" if verdict is Verdict.PASS else _ADVICE_HALF if half else _ADVICE_STRANGE,
        )


_ADVICE_HALF = "Set both ends to negotiate by themselves, and try another cable."
_ADVICE_STRANGE = (
    "Compare the switch's name with the drawings: this may be another network, or a switch put in later."
)

NEIGHBOURS = LineupCheck(
    id="network.neighbours",
    title="Neighbours of this computer's cable",
    needs=(Need.NEIGHBOURS,),
    why="It tells at once in which switch and port the laptop really sits, before anybody looks for the gear "
    "in the wrong network.",
    source="IEEE 802.1AB, 8.2 and 8.5 (as open-source network stacks quote it)",
    since="0.1",
    danger=3,
    where="surveys; silence is no information",
    run=_neighbours,
    subjects=lineup_of_a_survey,
    required=False,
)

# spanning tree --------------------------------------------------------------------------------------------


def _tree(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.bpdus:
        why = "no bridge spoke spanning tree on this port" if view.could_hear else view.why_deaf
        yield check.untested("lineup", why)
        return
    matters = list(_tree_matters(view))
    for point, verdict, title, seen, numbers in matters:
        yield check.find(
            "lineup",
            verdict,
            title,
            observed=seen,
            expected="one root, no change, timers that fit",
            point=point,
            evidence=numbers[:8],
            advice=_TREE_ADVICE[point],
        )
    if not matters:
        said = f"root {_roots(view)[0]}" if _roots(view) else "no root told"
        numbers = tuple(one.number for one, _ in view.bpdus)[:8]
        yield check.find("lineup", Verdict.PASS, "The tree was quiet", observed=said, evidence=numbers)


_Matter = tuple[str, Verdict, str, str, tuple[int, ...]]


def _roots(view: WireView) -> list[str]:
    return list(dict.fromkeys(str(bpdu.root) for _, bpdu in view.bpdus if bpdu.root is not None))


def _tree_matters(view: WireView) -> Iterator[_Matter]:
    """What is wrong with the tree: point, verdict, title, what was seen, evidence."""
    roots = _roots(view)
    numbers = tuple(one.number for one, _ in view.bpdus)
    changes = tuple(one.number for one, bpdu in view.bpdus if bpdu.topology_change)
    odd = [(one, bpdu) for one, bpdu in view.bpdus if bpdu.root is not None and not times_fit(bpdu)]
    if changes:
        yield "change", Verdict.REVIEW, "The tree changed while the survey listened", some(roots), changes
    if len(roots) > 1:
        yield "root", Verdict.REVIEW, "More than one bridge said it is the root", listed(roots), numbers
    if odd:
        one, bpdu = odd[0]
        seen = f"hello {bpdu.hello_s:g} s, age {bpdu.max_age_s:g} s, delay {bpdu.forward_delay_s:g} s"
        yield "timers", Verdict.FAIL, "The timers of the tree do not fit each other", seen, (one.number,)


_TREE_ADVICE = {
    "change": "A link came or went: ask who worked at the network just now; if nobody did, look for a loose "
    "cable.",
    "root": "The root changed, or two networks are joined: look at the bridges' priorities.",
    "timers": "Set 2 x (forward delay - 1 s) >= max age >= 2 x (hello + 1 s) at the root.",
}

TREE = LineupCheck(
    id="network.spanning_tree",
    title="The spanning tree is quiet and sound",
    needs=(Need.NEIGHBOURS,),
    why="Each change of the tree can stop all traffic for up to a minute; trips and alarms wait as long.",
    source="IEEE 802.1D, 8.10.2 and 9.3 (from memory)",
    since="0.1",
    danger=4,
    where="surveys on a port where a bridge speaks",
    run=_tree,
    subjects=lineup_of_a_survey,
    required=False,
)

# routers, address servers, clocks -------------------------------------------------------------------------


def _announced(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.could_hear:
        yield check.untested("lineup", view.why_deaf)
        return
    told: dict[str, Finding] = {}
    for one, content in view.routers:
        finding = _router(check, view, one, content)
        told.setdefault(finding.point, finding)
    yield from told.values()
    if not told:
        title = "No router or address server offered itself"
        yield check.find("lineup", Verdict.PASS, title, evidence=_all(view))


def _router(check: LineupCheck, view: WireView, one: Heard, content: object) -> Finding:
    if isinstance(content, DhcpAnswer):
        who = content.server or one.seen.source_ip
        title, seen = "An address server (DHCP) gives out addresses", f"{who}, {one.source}: {content.given}"
        kind = "dhcp"
    else:
        prefixes = ", ".join(getattr(content, "prefixes", ())) or "no prefix"
        title, seen, kind = "A router of IPv6 offers itself", f"{one.source}: {prefixes}", "router"
        who = one.seen.source_ip
    drawn = who in view.router_addresses or who in view.tags
    return check.find(
        "lineup",
        Verdict.PASS if drawn else Verdict.REVIEW,
        title,
        observed=seen,
        expected="only those of the map",
        point=f"{kind} {who or one.source}",
        evidence=(one.number,),
        advice=""
        if drawn
        else "Ask whose it is: a device that takes what it offers leaves the addresses of the drawing.",
    )


def _all(view: WireView) -> tuple[int, ...]:
    return tuple(number for number, _ in view.listenings)


ANNOUNCED = LineupCheck(
    id="network.routers",
    title="Only the map's routers and address servers offer themselves",
    needs=(Need.NEIGHBOURS,),
    why="A second address server or router pulls devices off the addresses where the master looks for them.",
    source="RFC 4861, 4.2; RFC 2131, 2 (both from memory)",
    since="0.1",
    danger=5,
    where="surveys",
    run=_announced,
    subjects=lineup_of_a_survey,
    required=False,
)


def _times(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.times:
        why = "no clock announced itself" if view.could_hear else view.why_deaf
        yield check.untested("lineup", why)
        return
    masters = {c.grandmaster for _, c in view.times if isinstance(c, PtpAnnounce)}
    told: dict[str, Finding] = {}
    for one, content in view.times:
        finding = _time(check, one, content, len(masters))
        told.setdefault(finding.point, finding)
    yield from told.values()


def _time(check: LineupCheck, one: Heard, content: NtpBroadcast | PtpAnnounce, masters: int) -> Finding:
    who = one.seen.source_ip or one.source
    if isinstance(content, PtpAnnounce):
        seen = f"PTP domain {content.domain}, grandmaster {content.grandmaster}, class {content.clock_class}"
        bad = masters > 1
        title = "More than one clock offers itself as PTP grandmaster" if bad else "A PTP clock offers itself"
        point = f"ptp {content.grandmaster}"
    else:
        bad = content.leap == 3 or not 1 <= content.stratum <= 15
        seen = f"NTP broadcast of {who}, stratum {content.stratum}, leap {content.leap}"
        title = "A server broadcasts time that it says is not synchronised" if bad else "NTP is broadcast"
        point = f"ntp {who}"
    return check.find(
        "lineup",
        Verdict.REVIEW if bad else Verdict.PASS,
        title,
        observed=seen,
        expected="one good clock",
        point=point,
        evidence=(one.number,),
        advice="Devices that follow it get a wrong time: order of events is lost. Look at that server first."
        if bad
        else "",
    )


TIMES = LineupCheck(
    id="network.time_announcements",
    title="Announced time can be trusted",
    needs=(Need.NEIGHBOURS,),
    why="Devices follow whoever announces time; a false one moves the time stamps of every trip record.",
    source="RFC 5905, 7.3 (stratum, leap); IEEE 1588, 13.5 (both from memory)",
    since="0.1",
    danger=4,
    where="surveys in which clocks announce themselves",
    run=_times,
    subjects=lineup_of_a_survey,
    required=False,
)

# PROFINET stations ----------------------------------------------------------------------------------------


def _stations(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.stations:
        yield check.untested("lineup", "no PROFINET station answered" if view.could_hear else view.why_deaf)
        return
    by_name: dict[str, list[Heard]] = {}
    for one, station in view.stations:
        if station.name:
            by_name.setdefault(station.name, []).append(one)
        if station.conflict or not station.name or station.address in ("", "0.0.0.0"):
            what = (
                "has seen another one with its address" if station.conflict else "has no name or no address"
            )
            yield check.find(
                "lineup",
                Verdict.FAIL if station.conflict else Verdict.REVIEW,
                f"A station {what}",
                observed=f"{one.source}: name {station.name or 'none'}, address {station.address or 'none'}",
                expected="a name and an address of its own",
                point=one.source,
                evidence=(one.number,),
                advice="Set its name and address as drawn.",
            )
    for name, ones in by_name.items():
        bad = len(ones) > 1
        yield check.find(
            "lineup",
            Verdict.FAIL if bad else Verdict.PASS,
            "Stations have one name" if bad else "A station with a name of its own",
            observed=f"{name}: {listed(one.source for one in ones)}",
            expected="a name once",
            point=name,
            evidence=tuple(one.number for one in ones)[:8],
            advice="Its controller takes up only one of them: give each its own name." if bad else "",
        )


STATIONS = LineupCheck(
    id="network.stations",
    title="PROFINET stations have names and addresses of their own",
    needs=(Need.NEIGHBOURS,),
    why="A controller finds stations by name: with two of one name, or none, it starts the wrong one.",
    source="IEC 61158-6-10 (from memory)",
    since="0.1",
    danger=4,
    where="surveys in which such stations answer",
    run=_stations,
    subjects=lineup_of_a_survey,
    required=False,
)

# switch ports ---------------------------------------------------------------------------------------------


def drawn_port(lineup: Lineup, tag: str) -> tuple[str, str]:
    """Switch and port that the map's links have for a device; two empty texts where none says so."""
    switches = {device.tag for device in lineup.map.devices if device.kind is Kind.SWITCH}
    if tag in switches:
        return "", ""
    for link in lineup.map.links:
        if link.end_at(tag) is not None:
            far = link.far_from(tag)
            if far.tag in switches and far.port:
                return far.tag, far.port
    return "", ""


def _ported(lineup: Lineup, scope: Scope) -> tuple[str, ...]:
    return tuple(device.tag for device in on_the_wire(lineup, scope) if drawn_port(lineup, device.tag)[0])


def _port(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    for tag in _ported(context.lineup, context.scope):
        switch, port = drawn_port(context.lineup, tag)
        address = context.map.by_tag[tag].address.host or ""
        wanted = {context.map.by_tag[tag].hardware_address, *view.owners.get(address, ())} - {None}
        entries = [(n, e) for n, e in view.forwarding if e.switch == switch and e.learned]
        mine = [(n, e) for n, e in entries if e.hardware_address in wanted]
        if not entries or not wanted:
            why = f"no forwarding table of {switch}" if not entries else "its hardware address is not known"
            yield check.untested(tag, why)
            continue
        right = [(n, e) for n, e in mine if e.port == port]
        if right or not mine:
            yield _at_port(check, tag, f"{switch} port {port}", [n for n, _ in right], found=bool(right))
        else:
            yield check.find(
                tag,
                Verdict.FAIL,
                "Plugged into another port than drawn",
                observed=f"{switch} port {listed(dict.fromkeys(e.port for _, e in mine))}",
                expected=f"{switch} port {port}",
                evidence=tuple(n for n, _ in mine)[:8],
                advice="Correct cable or drawing: ports may have settings of their own (VLAN, speed).",
            )


def _at_port(check: LineupCheck, tag: str, where: str, numbers: list[int], *, found: bool) -> Finding:
    if not found:
        return check.untested(tag, "the switch has not heard it lately")
    title = "Plugged in as drawn"
    return check.find(tag, Verdict.PASS, title, observed=where, expected=where, evidence=tuple(numbers)[:8])


PORT = LineupCheck(
    id="network.switch_port",
    title="Plugged into the port that is drawn",
    needs=(Need.NEIGHBOURS,),
    why="In an outage people pull and follow cables by the drawing; at a wrong port they pull the wrong one.",
    source="rule: map",
    since="0.1",
    danger=4,
    where="surveys: devices whose link to a switch port is drawn, where the switch tells whom it hears",
    run=_port,
    subjects=_ported,
    required=False,
)

NEIGHBOUR_CHECKS = (NEIGHBOURS, TREE, ANNOUNCED, TIMES, STATIONS, PORT)
