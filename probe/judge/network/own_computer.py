"""This computer first: interface, address, mask, speed, other ways; and whether it could hear frames."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from typing import NamedTuple

from probe.judge.check import LineupCheck, Need
from probe.judge.lineup_context import LineupContext
from probe.judge.network.addresses import lineup_of_a_survey
from probe.judge.network.wire_view import WireView, view_of
from probe.judge.wording import count, listed, some, span
from probe.model.finding import Finding, Verdict
from probe.model.network_evidence import OwnInterface

#: An LLDP neighbour speaks every 30 s by default; so long must be listened before its silence means anything.
#: Source: IEEE 802.1AB (default of 30 s, from memory), and a margin.
NEIGHBOUR_S = 35.0


class _Matter(NamedTuple):
    """One thing that is not as it should be: what was seen, what should be, and the mend."""

    point: str
    verdict: Verdict
    title: str
    observed: str
    expected: str
    mend: str
    evidence: tuple[int, ...] = ()


def _interface(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.interfaces:
        yield check.untested("lineup", "the system does not show this computer's interfaces")
        return
    if view.is_loopback:
        yield check.untested("lineup", "the devices of the map are on this computer itself: there is no wire")
        return
    matters = [*_matters(view), *_clock(context)]
    for one in matters:
        yield check.find(
            "lineup",
            one.verdict,
            one.title,
            observed=one.observed,
            expected=one.expected,
            point=one.point,
            evidence=one.evidence,
            advice=one.mend,
        )
    if not matters:
        number, chosen = view.chosen[0]
        yield check.find(
            "lineup",
            Verdict.PASS,
            "This computer stands rightly in the network",
            observed=_words(chosen),
            evidence=(number,),
        )


def _words(one: OwnInterface) -> str:
    speed = f"{one.speed_mbps} Mbit/s" if one.speed_mbps else "speed not told"
    duplex = f"{one.duplex} duplex" if one.duplex else ""
    return ", ".join(part for part in (f"{one.name} {one.address}", one.sort, speed, duplex) if part)


def _matters(view: WireView) -> Iterator[_Matter]:
    if not view.chosen:
        yield _nowhere(view)
        return
    for number, one in view.chosen[:1]:
        yield from _link(number, one)
    for number, one in view.chosen:
        yield from _mask(view, number, one)
        yield from _taken(view, number, one)
    yield from _doubled(view)
    yield from _detours(view)


def _clock(context: LineupContext) -> Iterator[_Matter]:
    """What this computer's system says of its own clock."""
    for number, sample in context.run.references:
        if sample.source == "laptop" and not sample.usable:
            yield _Matter(
                "clock",
                Verdict.REVIEW,
                "This computer's clock is not in step with anything",
                observed=sample.reason,
                expected="synchronised",
                mend="Switch its time service on before times are compared; a survey itself needs none.",
                evidence=(number,),
            )
            return


def _nowhere(view: WireView) -> _Matter:
    own = [one.address for _, one in view.interfaces if one.address and one.up and one.sort != "loopback"]
    subnets = [str(network.subnet) for network in view.map.networks] or list(view.tags)
    return _Matter(
        "interface",
        Verdict.FAIL,
        "This computer is in no subnet of the map",
        observed=some(own) or "no address",
        expected=f"an address in {some(subnets)}",
        mend="Give the wired interface a free address in that subnet, with its mask, and start again.",
        evidence=tuple(number for number, _ in view.interfaces[:8]),
    )


def _link(number: int, one: OwnInterface) -> Iterator[_Matter]:
    evidence = (number,)
    if not one.up:
        mend = "Plug the cable in, look at the link lights, switch the interface on."
        yield _Matter("link", Verdict.FAIL, f"{one.name} is down", "down", "up", mend, evidence)
    if one.duplex == "half":
        mend = "Set both ends to negotiate by themselves; half duplex at one end loses frames under load."
        yield _Matter(
            "duplex", Verdict.FAIL, f"{one.name} runs at half duplex", "half", "full", mend, evidence
        )
    if 0 < one.speed_mbps < 100:
        mend = "Try another cable and port: such a speed is a damaged pair or a very old port."
        speed = f"{one.speed_mbps} Mbit/s"
        title = f"{one.name} runs at {speed}"
        yield _Matter("speed", Verdict.REVIEW, title, speed, "100 Mbit/s or more", mend, evidence)
    if one.sort in ("wireless", "tunnel", "virtual", "bridge"):
        mend = "For the survey of the gear's own network use the wired interface: --interface NAME."
        title = f"{one.name} is a {one.sort} interface"
        yield _Matter("sort", Verdict.REVIEW, title, one.sort, "wired", mend, evidence)


def _mask(view: WireView, number: int, one: OwnInterface) -> Iterator[_Matter]:
    """Our mask against that of the map's network in which we are."""
    if not one.address:
        return
    own = ipaddress.ip_interface(one.address)
    network = view.network_of(str(own.ip))
    if network is None or network.subnet.prefixlen == own.network.prefixlen:
        return
    wider = own.network.prefixlen < network.subnet.prefixlen
    what = "asks the router's hosts directly" if wider else "takes its neighbours for hosts behind a router"
    yield _Matter(
        "mask",
        Verdict.FAIL,
        f"This computer's mask is not that of {network.name}: it {what}",
        observed=f"/{own.network.prefixlen}",
        expected=f"/{network.subnet.prefixlen}",
        mend=f"Set the prefix length of {one.name} to {network.subnet.prefixlen} "
        f"(mask {network.subnet.netmask}).",
        evidence=(number,),
    )


def _taken(view: WireView, number: int, one: OwnInterface) -> Iterator[_Matter]:
    """Our address is one that the map gives to a device or a router."""
    address = one.address.partition("/")[0]
    owner = view.name(address) if address in view.tags else "the router" * (address in view.router_addresses)
    if owner:
        yield _Matter(
            "address",
            Verdict.FAIL,
            f"This computer has the address of {owner}",
            observed=address,
            expected="a free address",
            mend="Give this computer another address at once: it takes the place of that device.",
            evidence=(number,),
        )


def _doubled(view: WireView) -> Iterator[_Matter]:
    """Another interface that is up stands in the same subnet: answers may go the other way."""
    chosen = view.chosen[0][1]
    if not chosen.address:
        return
    subnet = ipaddress.ip_interface(chosen.address).network
    for number, one in view.interfaces:
        if one.chosen or not one.up or not one.address or one.sort == "loopback":
            continue
        other = ipaddress.ip_interface(one.address).network
        if other.version == subnet.version and other.overlaps(subnet):
            yield _Matter(
                f"doubled {one.name}",
                Verdict.FAIL,
                f"{one.name} stands in the same subnet as {chosen.name}",
                observed=f"{one.name} {one.address}, {chosen.name} {chosen.address}",
                expected="one interface a subnet",
                mend=f"Switch {one.name} off for the survey (usually Wi-Fi, a dock or a virtual adapter).",
                evidence=(number,),
            )


def _detours(view: WireView) -> Iterator[_Matter]:
    """Hosts of the map that this computer would reach by another interface than the surveyed one."""
    chosen = view.chosen[0][1].name
    away: dict[str, list[str]] = {}
    numbers: dict[str, int] = {}
    for host in view.tags:
        best = max(
            ((n, r) for n, r in view.routes if _holds(r.destination, host)),
            key=lambda item: (ipaddress.ip_network(item[1].destination).prefixlen, -item[1].metric),
            default=None,
        )
        if best is not None and best[1].interface not in (chosen, "lo"):
            away.setdefault(best[1].interface, []).append(host)
            numbers[best[1].interface] = best[0]
    for name, hosts in away.items():
        yield _Matter(
            f"way {name}",
            Verdict.REVIEW,
            f"{count(len(hosts), 'device')} of the map would be reached through {name}",
            observed=some(hosts),
            expected=f"through {chosen}",
            mend=f"Leave the VPN or take the route away, if these stand on the cable of {chosen}.",
            evidence=(numbers[name],),
        )


def _holds(destination: str, host: str) -> bool:
    network, address = ipaddress.ip_network(destination), ipaddress.ip_address(host)
    return network.version == address.version and address in network


INTERFACE = LineupCheck(
    id="network.own_interface",
    title="This computer stands rightly in the network",
    needs=(Need.NEIGHBOURS,),
    why="A wrong mask, a second way or a half-duplex link of the laptop looks like faults of the gear; whole "
    "days were spent at doors that need not have been opened.",
    source="IEEE 802.3 (duplex; from memory); the rest common practice, no source",
    since="0.1",
    danger=3,
    where="surveys",
    run=_interface,
    subjects=lineup_of_a_survey,
    required=False,
)


def _listening(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.could_hear:
        yield check.untested("lineup", view.why_deaf.removeprefix("no frames were heard: "))
        return
    numbers = tuple(number for number, _ in view.listenings)
    frames = sum(one.frames for _, one in view.listenings)
    dropped = sum(one.dropped + one.uncounted for _, one in view.listenings)
    seconds = sum(one.finished_ns - one.started_ns for _, one in view.listenings) / 1e9
    gone = [one.why for _, one in view.listenings if one.why]
    whole = not dropped and not gone
    yield check.find(
        "lineup",
        Verdict.PASS if whole else Verdict.REVIEW,
        "Frames were heard" if whole else "Not all frames were heard",
        observed=f"{frames} frames in {span(seconds)}"
        + (f", {dropped} more not looked at" if dropped else ""),
        expected="" if whole else "none missed",
        evidence=numbers,
        advice=""
        if whole
        else f"What is missing from the lists may have been missed. {listed(gone)}".strip(),
    )


LISTENING = LineupCheck(
    id="network.listening",
    title="Frames were heard",
    needs=(Need.NEIGHBOURS,),
    why="What nobody heard is not known: an empty list of neighbours or conflicts proves nothing.",
    source="common practice, no source",
    since="0.1",
    danger=1,
    where="surveys",
    run=_listening,
    subjects=lineup_of_a_survey,
    required=False,
)

OWN_CHECKS = (INTERFACE, LISTENING)
