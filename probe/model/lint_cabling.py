"""Lint of cabling: each name once, ends and supplies that are there, cables in conduits that are there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from probe.model.cable_words import Cable
from probe.model.cabling import Cabling, EquipmentKind
from probe.model.document import Path, shown
from probe.model.errors import Problem
from probe.model.map_draft import Draft
from probe.model.nearest import did_you_mean, listed
from probe.model.surroundings import Surroundings


class _Mention(NamedTuple):
    """Where an entry names a place: a device's tag or a piece of equipment."""

    path: Path
    name: str
    word: str


def _cabling(draft: Draft) -> Cabling:
    return Cabling() if draft.head is None else draft.head.cabling


def name_twice(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """One name for two cables, or for a cable and a device."""
    first: dict[str, str] = {
        tag: f"the device at {placed.place(('tag',))}" for tag, placed in draft.by_tag.items()
    }
    for name, number, entry in _cabling(draft).entries():
        path: Path = ("cabling", name, number, "name")
        if entry.name in tuple(Cable):
            yield draft.main.problem(
                path,
                f"{entry.name} is a kind of cable, so that nothing can be called so",
                found=entry.name,
                remedy="give it the name of the drawings",
            )
        elif entry.name in first:
            yield draft.main.problem(
                path,
                f"the name {entry.name} stands for two things",
                found=f"{entry.name}; {first[entry.name]}",
                allowed="each name once, also among the tags of devices",
                remedy="a battery and its UPS, a cable and its switch need names of their own",
            )
        first.setdefault(entry.name, f"another at {draft.main.place(path)}")


def unknown_place(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """An end, a supply or a load that is neither a device nor equipment; a cable from a place to itself."""
    cabling = _cabling(draft)
    places = draft.tags | {one.name for one in cabling.equipment}
    for mention in _mentions(cabling):
        if mention.name not in places:
            yield draft.main.problem(
                mention.path,
                f"{mention.word} {shown(mention.name)} is neither a device nor equipment of this map",
                found=shown(mention.name),
                allowed="a tag of a device, or a name under cabling.equipment",
                remedy=did_you_mean(mention.name, places) or "add it under cabling.equipment",
            )
    for name in ("fibres", "channels"):
        for number, cable in enumerate(getattr(cabling, name)):
            if cable.ends[0] == cable.ends[1]:
                yield draft.main.problem(
                    ("cabling", name, number, "ends"),
                    f"{cable.name} ends where it begins",
                    found=cable.ends[0],
                    allowed="two places",
                )


def _mentions(cabling: Cabling) -> Iterator[_Mention]:
    for name in ("fibres", "channels"):
        for number, cable in enumerate(getattr(cabling, name)):
            for side, end in enumerate(cable.ends):
                yield _Mention(("cabling", name, number, "ends", side), end, "the end")
    for name in ("feeders", "banks"):
        for number, one in enumerate(getattr(cabling, name)):
            yield _Mention(("cabling", name, number, "supply"), one.supply, "the supply")
    for number, feeder in enumerate(cabling.feeders):
        for place, load in enumerate(feeder.loads):
            yield _Mention(("cabling", "feeders", number, "loads", place, "name"), load.name, "the load")


def load_twice(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """One load twice on a feeder."""
    for number, feeder in enumerate(_cabling(draft).feeders):
        seen: set[str] = set()
        for place, load in enumerate(feeder.loads):
            if load.name in seen:
                yield draft.main.problem(
                    ("cabling", "feeders", number, "loads", place, "name"),
                    f"{load.name} hangs twice on {feeder.name}",
                    found=load.name,
                    remedy="add the two draws together, or use two feeders",
                )
            seen.add(load.name)


def inside_what(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """Equipment inside something that is no enclosure."""
    cabling = _cabling(draft)
    enclosures = {one.name for one in cabling.equipment if one.kind is EquipmentKind.ENCLOSURE}
    for number, one in enumerate(cabling.equipment):
        if one.inside is not None and (one.inside not in enclosures or one.inside == one.name):
            yield draft.main.problem(
                ("cabling", "equipment", number, "inside"),
                f"{one.name} sits inside {shown(one.inside)}, which is no enclosure of this map",
                found=shown(one.inside),
                allowed=listed(sorted(enclosures - {one.name})) or "equipment of the kind enclosure",
                remedy=did_you_mean(one.inside, enclosures - {one.name}),
            )


def unknown_line(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A serial line without a device on it."""
    lines = {placed.item.address.via for placed in draft.devices if placed.item.address.via}
    lines |= {
        placed.item.address.serial.port for placed in draft.devices if placed.item.address.serial is not None
    }
    for number, bus in enumerate(_cabling(draft).buses):
        if bus.line not in lines:
            yield draft.main.problem(
                ("cabling", "buses", number, "line"),
                f"no device of this map is on the line {shown(bus.line)}",
                found=shown(bus.line),
                allowed=listed(sorted(lines)) or "a map with devices behind a gateway or on a serial port",
                remedy=did_you_mean(bus.line, lines),
            )


def unknown_cable(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A conduit that holds what is not in the map."""
    cabling = _cabling(draft)
    cables = [
        one.name for name, _, one in cabling.entries() if name in ("fibres", "channels", "buses", "feeders")
    ]
    words = [*cables, *Cable]
    for number, conduit in enumerate(cabling.conduits):
        for place, held in enumerate(conduit.holds):
            if held not in words:
                yield draft.main.problem(
                    ("cabling", "conduits", number, "holds", place),
                    f"{conduit.name} holds {shown(held)}, which is no cable of this map",
                    found=shown(held),
                    allowed=f"a cable of this map ({listed(cables) or 'there is none'}), or {listed(Cable)}",
                    remedy=did_you_mean(held, words),
                )


def less_than_nothing(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """A length, or a time, that could be less than nothing for what it may be off."""
    pairs = (
        ("length_m", "length_plus_minus_m"),
        ("fixed_m", "fixed_plus_minus_m"),
        ("response_ms", "response_plus_minus_ms"),
    )
    for name, number, entry in _cabling(draft).entries():
        for field, spread in pairs:
            value, off = getattr(entry, field, None), getattr(entry, spread, 0.0)
            if value is not None and off > value:
                yield draft.main.problem(
                    ("cabling", name, number, spread),
                    f"{field} of {entry.name} could be less than nothing",
                    found=f"{off:g}",
                    allowed=f"at most {value:g}",
                )


CABLING_RULES = (
    name_twice,
    unknown_place,
    load_twice,
    inside_what,
    unknown_line,
    unknown_cable,
    less_than_nothing,
)
