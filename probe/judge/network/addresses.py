"""Addresses against the map: is each device there, is it the one that was drawn, has anybody a second one."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator

from probe.judge.check import LineupCheck, Need
from probe.judge.facts import Reach
from probe.judge.lineup_context import LineupContext
from probe.judge.network.wire_view import MOST_OWNERS, WireView, view_of
from probe.judge.wording import AT_THE_GEAR, count, listed, some
from probe.model.device_map import Device
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope

#: One hardware address that speaks for so many addresses is a router or a proxy; common practice, no source.
PROXY = 4


#: Beginning of the title where everybody in the subnet was asked, and nobody answered.
NOBODY = "Missing: nobody"


def on_the_wire(lineup: Lineup, scope: Scope) -> list[Device]:
    """Devices of a survey that have an IPv4 address of their own."""
    if scope.survey is None:
        return []
    devices = (lineup.map.by_tag[tag] for tag in scope.tags)
    return [device for device in devices if _is_ipv4(device.address.host)]


def tags_on_the_wire(lineup: Lineup, scope: Scope) -> tuple[str, ...]:
    """Tags of those devices."""
    return tuple(device.tag for device in on_the_wire(lineup, scope))


def lineup_of_a_survey(lineup: Lineup, scope: Scope) -> tuple[str, ...]:
    """The lineup, if the run is a survey."""
    return () if scope.survey is None else ("lineup",)


def _is_ipv4(host: str | None) -> bool:
    try:
        address = ipaddress.ip_address(host or "")
        return address.version == 4 and not address.is_loopback
    except ValueError:
        return False


# is it there ----------------------------------------------------------------------------------------------


def _present(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    for device in on_the_wire(context.lineup, context.scope):
        address = device.address.host or ""
        signs = view.signs_of_life.get(address, [])
        asked = view.was_asked(address)
        if signs:
            yield check.find(
                device.tag, Verdict.PASS, "On the network", observed=address, evidence=_few(signs)
            )
        elif _moved_to(view, device):
            moved = _moved_to(view, device)
            yield _missing(check, device, f"its hardware address is at {some(moved)}", asked)
        elif asked or _was_tried(context, device):
            yield _missing(check, device, "nobody has this address" if asked else "no answer", asked)
        else:
            yield check.untested(device.tag, "its address was not asked")


def _was_tried(context: LineupContext, device: Device) -> bool:
    """Whether a connection to it was tried to the end."""
    facts = context.facts.get(device.tag)
    return facts is not None and not facts.interrupted and facts.reach is not Reach.NOT_TRIED


def _missing(check: LineupCheck, device: Device, why: str, evidence: list[int]) -> Finding:
    return check.find(
        device.tag,
        Verdict.FAIL,
        f"Missing: {why}",
        observed="no answer",
        expected=device.address.host or "",
        evidence=_few(evidence),
        advice="Control power, network cable and link lights, switch port, then the address in the device's "
        f"own display. {AT_THE_GEAR}",
    )


def _moved_to(view: WireView, device: Device) -> list[str]:
    """Other addresses at which the device's drawn hardware address was seen."""
    if not device.hardware_address:
        return []
    seen = view.addresses_of.get(device.hardware_address, {})
    return [address for address in seen if address != device.address.host]


PRESENT = LineupCheck(
    id="network.present",
    title="The device is on the network",
    needs=(Need.NEIGHBOURS,),
    why="A device that is drawn but not on the wire is not watched; nobody notices that its trips and alarms "
    "never arrive.",
    source="RFC 826 (address resolution; from memory)",
    since="0.1",
    danger=6,
    where="surveys: devices with an IPv4 address of their own",
    run=_present,
    subjects=tags_on_the_wire,
)


# is it the one that was drawn ----------------------------------------------------------------------------


def _hardware(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    for device in on_the_wire(context.lineup, context.scope):
        if not device.hardware_address:
            continue
        owners = view.owners.get(device.address.host or "", {})
        if not owners:
            yield check.untested(device.tag, "nobody told a hardware address for it")
        elif set(owners) == {device.hardware_address}:
            numbers = owners[device.hardware_address]
            yield check.find(
                device.tag,
                Verdict.PASS,
                "Hardware address as drawn",
                observed=device.hardware_address,
                expected=device.hardware_address,
                evidence=_few(numbers),
            )
        else:
            yield _wrong_hardware(check, view, device, owners)


def _wrong_hardware(
    check: LineupCheck, view: WireView, device: Device, owners: dict[str, list[int]]
) -> Finding:
    others = [hardware for hardware in owners if hardware != device.hardware_address]
    tags = [view.drawn_hardware[hardware] for hardware in others if hardware in view.drawn_hardware]
    moved = _moved_to(view, device)
    title = "Another hardware address than drawn"
    if tags:
        swapped = any(view.tags.get(address, [""])[0] == tags[0] for address in moved)
        title = f"Swapped with {tags[0]}" if swapped else f"{tags[0]} answers at this address"
    elif moved:
        title = f"Moved: the drawn device is at {some(moved)}, another one has its address"
    return check.find(
        device.tag,
        Verdict.FAIL,
        title,
        observed=listed(owners),
        expected=device.hardware_address or "",
        evidence=_few([number for numbers in owners.values() for number in numbers]),
        advice="Believe no value of this device until it is cleared up: compare its nameplate and display "
        f"with the drawing; if it was replaced, correct the map. {AT_THE_GEAR}",
        danger=9 if tags else None,
    )


HARDWARE = LineupCheck(
    id="network.hardware_address",
    title="Hardware address as drawn",
    needs=(Need.NEIGHBOURS,),
    why="Two like devices with each other's addresses answer perfectly; whoever opens one opens the other.",
    source="RFC 826 (address resolution; from memory); rule: map",
    since="0.1",
    danger=7,
    where="surveys: devices with a hardware address in the map",
    run=_hardware,
    subjects=lambda lineup, scope: tuple(d.tag for d in on_the_wire(lineup, scope) if d.hardware_address),
    required=False,
)


# two devices on one address -------------------------------------------------------------------------------


def _once(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    for address, owners in sorted(view.owners.items(), key=lambda item: int(ipaddress.ip_address(item[0]))):
        subject = _subject(context, view, address)
        if address in view.own_addresses:
            yield _ours(check, view, address, owners)
        elif len(owners) > 1:
            yield _doubled(check, view, subject, address, owners)
        elif subject != "lineup":
            yield _single(check, view, subject, address, owners)
    for one, packet in view.arps:
        if packet.is_probe and packet.target in view.owners:
            yield from _wanted(check, context, view, one.number, packet.target, packet.sender_hardware)


def _subject(context: LineupContext, view: WireView, address: str) -> str:
    """The tag whose address it is, if it is tested; else the lineup."""
    tags = [tag for tag in view.tags.get(address, ()) if tag in context.scope.tags]
    return tags[0] if tags else "lineup"


def _ours(check: LineupCheck, view: WireView, address: str, owners: dict[str, list[int]]) -> Finding:
    return check.find(
        "lineup",
        Verdict.FAIL,
        f"This computer has an address that {listed(map(view.name_of_hardware, owners))} has too",
        observed=f"{address}: this computer and {listed(owners)}",
        expected="one device an address",
        point=address,
        evidence=_few([number for numbers in owners.values() for number in numbers]),
        advice="Give this computer another address at once: the gear's master may have lost this device.",
    )


def _doubled(
    check: LineupCheck, view: WireView, subject: str, address: str, owners: dict[str, list[int]]
) -> Finding:
    return check.find(
        subject,
        Verdict.FAIL,
        f"{_several(owners)} have one address",
        observed=f"{address}: {some(list(map(view.name_of_hardware, owners)))}",
        expected="one device an address",
        point="" if subject != "lineup" else address,
        evidence=tuple(sorted(number for numbers in owners.values() for number in numbers[:3]))[:8],
        advice="Values may come from either. Find both by their hardware addresses in the switch's "
        f"forwarding table, and give one of them its own address. {AT_THE_GEAR}",
    )


def _several(owners: dict[str, list[int]]) -> str:
    return f"{len(owners)}{' or more' if len(owners) >= MOST_OWNERS else ''} devices"


def _single(
    check: LineupCheck, view: WireView, subject: str, address: str, owners: dict[str, list[int]]
) -> Finding:
    numbers = next(iter(owners.values()))
    by_arp = bool(view.arps)
    if not by_arp:  # the system's table holds one entry an address, whoever else answered
        return check.untested(subject, "the system's own table shows one owner only")
    return check.find(
        subject,
        Verdict.PASS,
        "One device has its address",
        observed=f"{address}: {next(iter(owners))}",
        expected="one device an address",
        evidence=_few(numbers),
    )


def _wanted(
    check: LineupCheck, context: LineupContext, view: WireView, number: int, address: str, hardware: str
) -> Iterator[Finding]:
    """Somebody probes for an address that another one has: it is about to take it, or was refused."""
    owners = view.owners[address]
    if hardware in owners or hardware in view.own_hardware:
        return
    subject = _subject(context, view, address)
    yield check.find(
        subject,
        Verdict.FAIL,
        f"{view.name_of_hardware(hardware)} wants an address that is taken",
        observed=f"{address} is with {listed(map(view.name_of_hardware, owners))}",
        expected="one device an address",
        point=f"{address} {hardware}" if subject == "lineup" else hardware,
        evidence=(number, *_few([n for numbers in owners.values() for n in numbers])[:3]),
        advice="It will not come up while the other one defends the address. Give it its own.",
        danger=5,
    )


ONCE = LineupCheck(
    id="network.address_once",
    title="One device an address",
    needs=(Need.NEIGHBOURS,),
    why="Two devices with one address answer in turns: values of one breaker are shown as those of another, "
    "and connections break for no visible reason.",
    source="RFC 5227, 2.1 and 2.4 (probe and conflict; from memory)",
    since="0.1",
    danger=8,
    where="surveys: devices with an IPv4 address of their own, and every other address that was seen",
    run=_once,
    subjects=tags_on_the_wire,
    required=False,
)


# one device on two addresses ------------------------------------------------------------------------------


def _one_device(check: LineupCheck, context: LineupContext) -> Iterator[Finding]:
    view = view_of(context)
    if not view.addresses_of:
        yield check.untested("lineup", view.why_deaf)
        return
    found = False
    for hardware, addresses in view.addresses_of.items():
        numbers = _few([number for some_ in addresses.values() for number in some_])
        if len(addresses) < 2 or view.router_addresses & set(addresses):
            continue
        found = True
        if len(addresses) >= PROXY:
            yield _proxy(check, view, hardware, list(addresses), numbers)
        else:
            yield _two(check, view, hardware, list(addresses), numbers)
    if not found:
        many = count(len(view.addresses_of), "device")
        yield check.find("lineup", Verdict.PASS, "No device has two addresses", observed=many)


def _two(
    check: LineupCheck, view: WireView, hardware: str, addresses: list[str], numbers: tuple[int, ...]
) -> Finding:
    drawn = [address for address in addresses if address in view.tags]
    return check.find(
        "lineup",
        Verdict.FAIL if len(drawn) > 1 else Verdict.REVIEW,
        f"One device has {count(len(addresses), 'address', 'addresses')}",
        observed=f"{view.name_of_hardware(hardware)}: {listed(addresses)}",
        expected="one address a device",
        point=hardware,
        evidence=numbers,
        advice="Where the map has two devices there, one of them is missing and the other answers for it."
        if len(drawn) > 1
        else "A second address of a gateway or a redundant pair may be meant: ask who set it, and draw it.",
    )


def _proxy(
    check: LineupCheck, view: WireView, hardware: str, addresses: list[str], numbers: tuple[int, ...]
) -> Finding:
    return check.find(
        "lineup",
        Verdict.REVIEW,
        f"One device speaks for {len(addresses)} addresses: a router or proxy",
        observed=f"{view.name_of_hardware(hardware)}: {some(addresses)}",
        expected="one address a device",
        point=hardware,
        evidence=numbers,
        advice="Behind a router or proxy this survey sees none of the devices themselves: repeat it there.",
    )


ONE_DEVICE = LineupCheck(
    id="network.one_address",
    title="One address a device",
    needs=(Need.NEIGHBOURS,),
    why="A device that answers at two drawn addresses hides that the second device is missing.",
    source="RFC 826 (from memory); routers and proxies: common practice, no source",
    since="0.1",
    danger=5,
    where="surveys",
    run=_one_device,
    subjects=lineup_of_a_survey,
    required=False,
)


def _few(numbers: Iterable[int]) -> tuple[int, ...]:
    return tuple(sorted(dict.fromkeys(numbers)))[:8]


ADDRESS_CHECKS = (PRESENT, HARDWARE, ONCE, ONE_DEVICE)
