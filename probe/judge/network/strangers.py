"""Who is there that nobody drew: strangers, foreign subnets and masks; and what a stranger told of itself."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from probe.judge.check import LineupCheck, Need
from probe.judge.lineup_context import LineupContext
from probe.judge.network.addresses import lineup_of_a_survey
from probe.judge.network.wire_view import WireView, view_of
from probe.judge.wording import count, some
from probe.model.address_range import address_range
from probe.model.evidence import Outcome
from probe.model.finding import Finding, Verdict
from probe.model.frames.ethernet import is_group, is_virtual_router
from probe.model.frames.wording import words
from probe.model.pdu import identification, pdu_of

#: So many strangers are told one by one.
MOST = 64
MARK = "@"  # what evidence on a stranger bears in place of a tag (collect.survey.strangers)


class Stranger(NamedTuple):
    """A device on the wire that the map does not hold.

    address: IPv4, empty where only its hardware address is known. said: what it told of itself, by field
    (maker, model, version; name where a protocol has one). modbus: it took a connection on port 502.
    """

    address: str
    hardware: str
    said: dict[str, str]
    modbus: bool
    evidence: tuple[int, ...]

    @property
    def key(self) -> str:
        """By what it is told apart."""
        return self.address or self.hardware

    @property
    def words(self) -> str:
        """Everything known of it in one line."""
        said = ", ".join(f"{field} {text}" for field, text in self.said.items())
        modbus = "answers Modbus" if self.modbus else ""
        known = [self.address, self.hardware, said, modbus]
        return ", ".join(part for part in known if part)


def strangers_of(view: WireView) -> tuple[Stranger, ...]:
    """All strangers, those with an address first and in its order. Routers of the map are none."""
    known = set(view.tags) | view.own_addresses | view.router_addresses
    drawn = set(view.drawn_hardware) | {h for a in view.tags for h in view.owners.get(a, ())}
    found: list[Stranger] = []
    explained: set[str] = set(drawn)
    for address, owners in sorted(view.owners.items(), key=lambda item: int(ipaddress.ip_address(item[0]))):
        for hardware, numbers in owners.items():
            if address not in known:
                explained.add(hardware)
                if hardware not in view.drawn_hardware:  # else it is a drawn device that moved
                    found.append(_stranger(view, address, hardware, numbers))
            elif address in view.router_addresses:
                explained.add(hardware)
    found += _silent(view, explained)
    return tuple(found)


def _stranger(view: WireView, address: str, hardware: str, numbers: list[int]) -> Stranger:
    said, told = _said(view, address, hardware)
    return Stranger(address, hardware, said, _speaks_modbus(view, address), tuple([*numbers[:3], *told][:8]))


def _silent(view: WireView, explained: set[str]) -> Iterator[Stranger]:
    """Senders of frames without any IPv4 address: stations to be named, switches, what has lost its way."""
    for number, talk in view.talks:
        hardware = talk.source
        if hardware in explained or hardware in view.own_hardware or is_group(hardware):
            continue
        if is_virtual_router(hardware) or _is_switch(view, hardware):
            continue
        explained.add(hardware)
        said, told = _said(view, "", hardware)
        yield Stranger("", hardware, said or {"sends": talk.protocol}, False, (number, *told)[:8])


def _is_switch(view: WireView, hardware: str) -> bool:
    """A port of a bridge: it sends spanning tree or LLDP, and stands in the list of neighbours."""
    bridges = {one.source for one, _ in view.bpdus} | {one.source for one, _ in view.neighbours}
    return hardware in bridges


_FIELDS = ("maker", "model", "version")


def _said(view: WireView, address: str, hardware: str) -> tuple[dict[str, str], list[int]]:
    """What a stranger told of itself by Modbus, PROFINET and LLDP, with the numbers that show it."""
    said: dict[str, str] = {}
    numbers: list[int] = []
    for number, exchange in view.exchanges_of.get(f"{MARK}{address}", ()):
        if exchange.outcome is Outcome.DATA:
            reply = identification(pdu_of(exchange.response, exchange.framing))
            for object_id, value in reply.objects:
                if object_id < len(_FIELDS):
                    said[_FIELDS[object_id]] = words(value)
            numbers.append(number)
    for one, station in view.stations:
        if one.source == hardware:
            said.update({k: v for k, v in (("name", station.name), ("sort", station.sort)) if v})
            numbers.append(one.number)
    for one, neighbour in view.neighbours:
        if one.source == hardware and neighbour.name:
            said["name"] = neighbour.name
            numbers.append(one.number)
    return said, numbers


def _speaks_modbus(view: WireView, address: str) -> bool:
    return f"{address}:502" in view.open_modbus


def _strangers(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    found = strangers_of(view)
    if len(found) > MOST:
        yield _crowd(check, found)
        found = found[:MOST]
    for one in found:
        yield check.find(
            "lineup",
            Verdict.REVIEW,
            "A device that the map does not hold",
            observed=one.words,
            expected="only devices of the map",
            point=one.key,
            evidence=one.evidence,
            advice="Ask whose it is. If it belongs here, draw it (--propose writes a line for the map); if "
            "not, find its port in the switch's forwarding table and have it taken off.",
        )
    if found:
        return
    ranges = context.scope.survey.ranges if context.scope.survey is not None else ()
    if not ranges:
        why = "only addresses of the map were asked; --range map asks the others too"
        yield check.untested("lineup", f"nobody else was heard, but {why}" if view.could_hear else why)
    elif not all(_swept(view, text) for text in ranges):
        yield check.untested("lineup", "the ranges were not asked to their ends")
    else:
        title = "No device beside those of the map was seen"
        yield check.find("lineup", Verdict.PASS, title, observed=_how(view, ranges), evidence=_asked(view))


def _crowd(check: LineupCheck, found: tuple[Stranger, ...]) -> Finding:
    """More strangers than anybody would look at one by one."""
    return check.find(
        "lineup",
        Verdict.REVIEW,
        "More devices that the map does not hold than are told one by one",
        observed=f"{len(found)}, of which {MOST} are told",
        expected="only devices of the map",
        point="crowd",
        evidence=tuple(number for one in found[MOST : MOST + 8] for number in one.evidence[:1]),
        advice="This is another network than the map's, or somebody invents senders: see the busiest.",
    )


def _swept(view: WireView, text: str) -> bool:
    """Whether a range was asked to its end; our own address is not asked."""
    last = address_range(text).last
    own = str(last) in view.own_addresses
    return bool(view.was_asked(str(last - 1 if own else last)))


def _asked(view: WireView) -> tuple[int, ...]:
    return tuple(number for number, _ in view.sweeps)[:8]


def _how(view: WireView, ranges: Sequence[str]) -> str:
    asked = sum(sweep.asked for _, sweep in view.sweeps)
    heard = "listened" if view.could_hear else "did not hear frames"
    return f"{heard}; {count(asked, 'address', 'addresses')} asked in {some(ranges)}"


STRANGERS = LineupCheck(
    id="network.strangers",
    title="Only devices of the map are on the network",
    needs=(Need.NEIGHBOURS,),
    why="What nobody drew nobody maintains: a forgotten laptop, a modem to the outside, a device that "
    "takes an address of the next one to be installed.",
    source="rule: map",
    since="0.1",
    danger=4,
    where="surveys; complete only within the ranges that were asked",
    run=_strangers,
    subjects=lineup_of_a_survey,
    required=False,
)


# subnets and masks ----------------------------------------------------------------------------------------


def _subnets(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.map.networks:
        yield check.untested("lineup", "the map names no networks")
        return
    if not view.owners and not view.stations:
        yield check.untested("lineup", view.why_deaf)
        return
    found = [*_outside(check, view), *_masks(check, view)]
    yield from found
    if not found:
        many = count(len(view.owners), "address", "addresses")
        yield check.find("lineup", Verdict.PASS, "All addresses lie in subnets of the map", observed=many)


def _outside(check: LineupCheck, view: WireView) -> Iterator[Finding]:
    outside = [a for a in view.owners if view.network_of(a) is None and a not in view.own_addresses]
    for address in outside[:MOST]:
        yield _is_outside(check, view, address)
    if len(outside) > MOST:
        yield check.find(
            "lineup",
            Verdict.REVIEW,
            "More addresses of no subnet than are told one by one",
            observed=f"{len(outside)}, of which {MOST} are told",
            expected=_subnet_words(view),
            point="crowd",
            evidence=tuple(
                n for a in outside[MOST : MOST + 8] for n in next(iter(view.owners[a].values()))[:1]
            ),
            advice="This is another network than the map's, or somebody invents senders: see the busiest.",
        )


def _subnet_words(view: WireView) -> str:
    return some([str(network.subnet) for network in view.map.networks])


def _is_outside(check: LineupCheck, view: WireView, address: str) -> Finding:
    local, owners = address.startswith("169.254."), view.owners[address]
    return check.find(
        "lineup",
        Verdict.FAIL if local else Verdict.REVIEW,
        "A device gave itself an address, for nobody gave it one" if local else "An address of no subnet",
        observed=f"{address}, {some([view.name_of_hardware(hardware) for hardware in owners])}",
        expected=_subnet_words(view),
        point=address,
        evidence=tuple(number for numbers in owners.values() for number in numbers)[:8],
        advice="It found no address of its own (wrong setting, no DHCP server): set it as drawn."
        if local
        else "Give it an address of this subnet, or draw the second subnet.",
    )


def _masks(check: LineupCheck, view: WireView) -> Iterator[Finding]:
    """Masks and routers that PROFINET stations tell."""
    for one, station in view.stations:
        network = view.network_of(station.address) if station.address not in ("", "0.0.0.0") else None
        if network is None or not station.mask:
            continue
        router = str(network.router) if network.router else ""
        wrong_router = router and station.router not in (router, "0.0.0.0", station.address)
        if station.mask == str(network.subnet.netmask) and not wrong_router:
            continue
        yield check.find(
            "lineup",
            Verdict.FAIL,
            f"Wrong {'router' if station.mask == str(network.subnet.netmask) else 'mask'} in "
            f"{view.name(station.address)}",
            observed=f"{station.address}, mask {station.mask}, router {station.router}",
            expected=f"mask {network.subnet.netmask}" + (f", router {router}" if router else ""),
            point=f"mask {station.address}",
            evidence=(one.number,),
            advice="It will not find some of its partners: set mask and router as drawn.",
        )


SUBNETS = LineupCheck(
    id="network.subnets",
    title="Subnets and masks as drawn",
    needs=(Need.NEIGHBOURS,),
    why="A device outside the subnet, or with another mask, answers some partners and not others.",
    source="RFC 3927, 2.1 (169.254/16; from memory); rule: map",
    since="0.1",
    danger=4,
    where="surveys of maps that name their networks",
    run=_subnets,
    subjects=lineup_of_a_survey,
    required=False,
)

STRANGER_CHECKS = (STRANGERS, SUBNETS)
