"""Who is plugged into whom: neighbours that switches tell, held against the links of the map. No verdicts.

A neighbour is named by what it says of itself: a hardware address that the map or another switch knows, or a
system name that is a tag or another switch's name. What fits nothing is a stranger, under the name that it
gives itself. Absence of a neighbour says something only where both sides are known to speak LLDP.

Source: IEEE 802.1AB (LLDP-MIB: lldpRemTable, lldpLocPortTable).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum
from typing import NamedTuple

from probe.judge.network.spanning_tree import own_address
from probe.judge.network.switch_view import Interface, SwitchView, plain, text_of
from probe.model.device_map import DeviceMap, Kind
from probe.model.map_network import End, Link
from probe.model.snmp_values import Oid

#: LldpChassisIdSubtype and LldpPortIdSubtype. Source: IEEE 802.1AB (from memory).
_CHASSIS_MAC, _PORT_MAC = 4, 3


class Neighbour(NamedTuple):
    """One neighbour that a switch sees.

    switch, port: where it is seen (port by the switch's name). tag: of the map, empty for a stranger.
    name: how people call it. far_port: as the neighbour itself calls it, empty if it does not tell.
    """

    switch: str
    port: str
    tag: str
    name: str
    far_port: str
    line: int


class State(StrEnum):
    """How an expected link was found, or that a link was not expected."""

    FOUND = "found"
    ELSEWHERE = "elsewhere"  # the two see each other, at another port
    OTHER = "other"  # at that port another neighbour is seen
    MISSING = "missing"  # both sides speak LLDP, and do not see each other
    UNKNOWN = "unknown"  # nobody tells
    EXTRA = "extra"  # not in the map


class Edge(NamedTuple):
    """One link of the drawing. ends: (name, port) twice; link: of the map, None for one that is not in it."""

    ends: tuple[tuple[str, str], tuple[str, str]]
    state: State
    link: Link | None = None
    seen: tuple[Neighbour, ...] = ()


class Topology(NamedTuple):
    """The network as found. tells: tags of switches that have a table of neighbours."""

    neighbours: tuple[Neighbour, ...]
    edges: tuple[Edge, ...]
    tells: frozenset[str]


def topology(lineup: DeviceMap, views: Mapping[str, SwitchView]) -> Topology:
    """The network as its switches tell it, beside the map's links."""
    found = tuple(neighbour for view in views.values() for neighbour in neighbours(lineup, view, views))
    tells = frozenset(tag for tag, view in views.items() if speaks_lldp(view))
    expected = [_expected(link, found, tells, lineup, views) for link in lineup.links]
    taken = {seen for edge in expected for seen in edge.seen}
    rest = [one for one in found if one not in taken]
    return Topology(found, (*expected, *_extra(rest)), tells)


def speaks_lldp(view: SwitchView) -> bool:
    """True if the switch has LLDP at all: its own chassis id is told."""
    return view.scalar("lldpLocChassisId") is not None


# --- neighbours --------------------------------------------------------------------------------------------


def neighbours(lineup: DeviceMap, view: SwitchView, views: Mapping[str, SwitchView]) -> Iterator[Neighbour]:
    """The neighbours that one switch tells, in the order of its table."""
    book = _Book(lineup, views)
    kinds = view.numbers("lldpRemChassisIdSubtype")
    for index, seen in view.column("lldpRemChassisId").items():
        if len(index) < 3:
            continue
        chassis = seen.value if isinstance(seen.value, bytes) else b""
        is_address = kinds.get(index) == _CHASSIS_MAC and len(chassis) == 6
        address = chassis.hex(":") if is_address else ""
        said = view.texts_of("lldpRemSysName", index)
        tag = book.tag_of(address, said, "" if is_address else text_of(chassis))
        yield Neighbour(
            switch=view.tag,
            port=_local_port(view, index[-2]),
            tag=tag,
            name=tag or said or address or text_of(chassis) or "unnamed",
            far_port=_far_port(view, index),
            line=seen.number,
        )


class _Book:
    """By what a neighbour may be known."""

    def __init__(self, lineup: DeviceMap, views: Mapping[str, SwitchView]) -> None:
        self.addresses = {d.hardware_address: d.tag for d in lineup.devices if d.hardware_address}
        self.names = {plain(device.tag): device.tag for device in lineup.devices}
        for tag, view in views.items():
            for address in _addresses_of(view):
                self.addresses.setdefault(address, tag)
            for name in (view.text("lldpLocSysName"), view.text("sysName")):
                if name:
                    self.names.setdefault(plain(name), tag)

    def tag_of(self, address: str, *names: str) -> str:
        """The tag that this is, empty for a stranger."""
        if address in self.addresses:
            return self.addresses[address]
        return next((self.names[plain(name)] for name in names if name and plain(name) in self.names), "")


def _addresses_of(view: SwitchView) -> Iterator[str]:
    chassis = view.octets("lldpLocChassisId")
    if len(chassis) == 6 and view.whole("lldpLocChassisIdSubtype") == _CHASSIS_MAC:
        yield chassis.hex(":")
    if own := own_address(view):
        yield own
    for seen in view.column("ifPhysAddress").values():
        if isinstance(seen.value, bytes) and len(seen.value) == 6 and any(seen.value):
            yield seen.value.hex(":")


def _local_port(view: SwitchView, number: int) -> str:
    """The switch's own name of an LLDP port number: by its LLDP table, else as interface or bridge port."""
    index: Oid = (number,)
    told = view.texts_of("lldpLocPortDesc", index)
    said = view.texts_of("lldpLocPortId", index)
    for name in (told, said):
        if name and view.port(name) is not None:
            return view.port(name).name  # type: ignore[union-attr] # it was there a line above
    by_index = {one.ifindex: one for one in view.interfaces}
    found: Interface | None = by_index.get(number) or view.by_bridge_port.get(number)
    return found.name if found is not None else told or said or str(number)


def _far_port(view: SwitchView, index: Oid) -> str:
    seen = view.column("lldpRemPortId").get(index)
    is_address = view.numbers("lldpRemPortIdSubtype").get(index) == _PORT_MAC
    told = view.texts_of("lldpRemPortDesc", index)
    if seen is None or not isinstance(seen.value, bytes):
        return told
    return told or seen.value.hex(":") if is_address else text_of(seen.value) or told


# --- against the map ---------------------------------------------------------------------------------------


def _expected(
    link: Link,
    found: Iterable[Neighbour],
    tells: frozenset[str],
    lineup: DeviceMap,
    views: Mapping[str, SwitchView],
) -> Edge:
    """One link of the map, and how it was found."""
    one, two = link.ends
    ends = ((one.tag, one.port or ""), (two.tag, two.port or ""))
    at_ports, other_ports, others = _sightings(link, tuple(found), views)
    if at_ports:
        state = State.FOUND
    elif other_ports:
        state = State.ELSEWHERE
    elif others:
        state = State.OTHER
    elif _should_see(link, tells, lineup):
        state = State.MISSING
    else:
        state = State.UNKNOWN
    return Edge(ends, state, link, (*at_ports, *other_ports, *others))


def _sightings(
    link: Link, found: tuple[Neighbour, ...], views: Mapping[str, SwitchView]
) -> tuple[list[Neighbour], list[Neighbour], list[Neighbour]]:
    """Neighbours that show the link where it is drawn; the same two elsewhere; somebody else at its port."""
    here: list[Neighbour] = []
    elsewhere: list[Neighbour] = []
    others: list[Neighbour] = []
    for end in link.ends:
        far = link.far_from(end.tag)
        for one in found:
            if one.switch != end.tag:
                continue
            at_port = _is_port(end, one.port, views)
            if one.tag == far.tag:
                (here if at_port and _fits_far(far, one, views) else elsewhere).append(one)
            elif at_port:
                others.append(one)
    if here:  # parallel links between the same two: the others are drawn by themselves
        return here, [], others
    return here, elsewhere, others


def _is_port(end: End, name: str, views: Mapping[str, SwitchView]) -> bool:
    """True if the name is that of the port drawn (or none is drawn)."""
    if end.port is None or plain(end.port) == plain(name):
        return True
    view = views.get(end.tag)
    interface = view.port(end.port) if view is not None else None
    return interface is not None and plain(name) in interface.names


def _fits_far(far: End, one: Neighbour, views: Mapping[str, SwitchView]) -> bool:
    """True unless the neighbour names a port that its own switch knows, and that is not the one drawn."""
    view = views.get(far.tag)
    if far.port is None or view is None or not one.far_port or view.port(one.far_port) is None:
        return True
    return _is_port(far, one.far_port, views)


def _should_see(link: Link, tells: frozenset[str], lineup: DeviceMap) -> bool:
    """True if both ends are switches that are known to speak LLDP."""
    kinds = [lineup.by_tag[end.tag].kind for end in link.ends]
    return all(kind is Kind.SWITCH for kind in kinds) and all(end.tag in tells for end in link.ends)


def _extra(rest: Iterable[Neighbour]) -> Iterator[Edge]:
    """Links that the map does not hold, each once though both sides may tell it."""
    told: set[frozenset[tuple[str, str]]] = set()
    for one in rest:
        ends = ((one.switch, one.port), (one.name, one.far_port))
        key = frozenset((name, plain(port)) for name, port in ends)
        if key not in told:
            told.add(key)
            yield Edge(ends, State.EXTRA, None, (one,))
