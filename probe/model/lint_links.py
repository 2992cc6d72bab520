"""Lint of the network's links: each name once, ends that are there, switches with ports, one link a port."""

from __future__ import annotations

from collections.abc import Iterator

from probe.model.device_map import Kind
from probe.model.document import Path, shown
from probe.model.errors import Problem
from probe.model.map_draft import Draft
from probe.model.map_network import Link
from probe.model.nearest import did_you_mean, listed
from probe.model.surroundings import Surroundings


def _links(draft: Draft) -> tuple[Link, ...]:
    return () if draft.head is None else draft.head.links


def link_name_twice(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """One name for two links: nobody would know which one to pull."""
    first: dict[str, Path] = {}
    for number, link in enumerate(_links(draft)):
        path: Path = ("links", number, "name")
        other = first.setdefault(link.name, path)
        if other is not path:
            yield draft.main.problem(
                path,
                f"two links are called {link.name}",
                found=f"{link.name}, also at {draft.main.place(other)}",
                remedy="give each link the name of its cable",
            )


def link_end_unknown(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """An end at a tag that is not in the map, or at a switch without saying which port."""
    kinds = {placed.item.tag: placed.item.kind for placed in draft.devices}
    for number, link in enumerate(_links(draft)):
        for side, end in enumerate(link.ends):
            path: Path = ("links", number, "ends", side)
            if end.tag not in draft.tags:
                yield draft.main.problem(
                    (*path, "tag"),
                    f"link {link.name} ends at {shown(end.tag)}, which is no device of this map",
                    found=shown(end.tag),
                    allowed=listed(sorted(draft.tags)),
                    remedy=did_you_mean(end.tag, tuple(draft.tags)),
                )
            elif kinds.get(end.tag) is Kind.SWITCH and end.port is None:
                yield draft.main.problem(
                    (*path, "port"),
                    f"link {link.name} does not say at which port of {end.tag} it ends",
                    allowed="the port as the switch itself calls it",
                )
        if kinds and not any(kinds.get(end.tag) in (Kind.SWITCH, None) for end in link.ends):
            yield draft.main.problem(
                ("links", number, "ends"),
                f"link {link.name} ends at no switch",
                found=listed(end.tag for end in link.ends),
                remedy="links are those of the network; other cables stand under cabling",
                severity="warning",
            )


def port_twice(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """Two links at one port, or two entries for one port of a switch."""
    first: dict[tuple[str, str], Path] = {}
    for number, link in enumerate(_links(draft)):
        for side, end in enumerate(link.ends):
            if end.port is None:
                continue
            path: Path = ("links", number, "ends", side, "port")
            other = first.setdefault((end.tag, end.port), path)
            if other is not path:
                yield draft.main.problem(
                    path,
                    f"two links end at {end.words}",
                    found=f"{end.words}, also at {draft.main.place(other)}",
                    remedy="a port holds one cable: correct one of the two",
                )
    for placed in draft.devices:
        names: set[str] = set()
        for number, port in enumerate(placed.item.ports):
            if port.name in names:
                yield placed.problem(
                    ("ports", number, "name"),
                    f"port {port.name} of {placed.item.tag} stands twice",
                    found=port.name,
                    remedy="one entry a port",
                )
            names.add(port.name)


def snmp_where_nobody_asks(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """SNMP or ports of a device that is neither a switch nor a supply; SNMP without an address."""
    for placed in draft.devices:
        device = placed.item
        if device.snmp is not None and device.kind not in (Kind.SWITCH, Kind.UPS):
            yield placed.problem(
                ("snmp",),
                f"{device.tag} is a {device.kind.value}: the survey asks switches and supplies by SNMP",
                remedy="remove it, or correct the kind",
                severity="warning",
            )
        elif device.snmp is not None and not (device.snmp.host or device.address.host):
            yield placed.problem(
                ("snmp",),
                f"{device.tag} has no address of its own to ask by SNMP",
                remedy="add host: ADDRESS under snmp",
            )


def root_unknown(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A root of the spanning tree that is no switch of the map."""
    switches = {placed.item.tag for placed in draft.devices if placed.item.kind is Kind.SWITCH}
    for placed in draft.networks:
        root = placed.item.root
        if root is not None and root not in switches:
            yield placed.problem(
                ("root",),
                f"the root of network {placed.item.name} is no switch of this map",
                found=shown(root),
                allowed=listed(sorted(switches)) or "the tag of a switch",
            )


LINK_RULES = (link_name_twice, link_end_unknown, port_twice, snmp_where_nobody_asks, root_unknown)
