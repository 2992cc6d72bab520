"""A field checklist made from a map: every cubicle, device, cable and supply gets the lines of its kind."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from probe.model.cable_data import Channel, FibreLink, SerialBus
from probe.model.cable_power import Bank, Feeder, FeederLoad
from probe.model.cabling import Cabling, Conduit, Equipment
from probe.model.checklist import CHECKLIST_FORMAT, LINEUP, Checklist, ChecklistLine, Measure, cubicles
from probe.model.checklist_items import Each, Item, Items, filled
from probe.model.device_map import Device, DeviceMap

Words = dict[str, str]


class Thing(NamedTuple):
    """One thing that has lines. key: for the line's id; at: where of it something is measured."""

    each: Each
    about: str
    key: str
    place: str
    words: Words
    at: str | None = None


def draft(drawn: DeviceMap, items: Items) -> Checklist:
    """The checklist of a map: thing by thing in the order of a walk (lineup, cubicles, cables)."""
    by_each: dict[Each, list[Item]] = {}
    for item in items.items:
        by_each.setdefault(item.each, []).append(item)
    lines = [_line(item, thing) for thing in things(drawn) for item in by_each.get(thing.each, ())]
    used = {name for line in lines for name in line.cautions} | {"before"}
    return Checklist(
        format=CHECKLIST_FORMAT,
        name=items.name,
        site=drawn.site,
        lineup=drawn.lineup,
        cautions={name: text for name, text in items.cautions.items() if name in used},
        lines=tuple(lines),
    )


def _line(item: Item, thing: Thing) -> ChecklistLine:
    measure = None if item.measure is None else Measure(quantity=item.measure, at=thing.at)
    return ChecklistLine(
        id=f"{item.id}@{thing.key}",
        about=thing.about,
        place=thing.place or None,
        ask=filled(item.ask, thing.words),
        source=item.source,
        cautions=item.cautions,
        measure=measure,
        photograph=item.photograph,
    )


def things(drawn: DeviceMap) -> Iterator[Thing]:
    """Everything that may have lines: the lineup, cubicles with what sits in them, what is apart, cables."""
    yield Thing(Each.LINEUP, LINEUP, LINEUP, "", {"name": drawn.lineup, "site": drawn.site})
    placed: list[Device | Equipment] = [*drawn.devices, *drawn.cabling.equipment]
    for cubicle, place in cubicles(drawn).items():
        own = [one for one in placed if _cubicle_of(one) == cubicle]
        names = ", ".join(_name(one) for one in own)
        key = cubicle.replace(" ", "-")
        yield Thing(Each.CUBICLE, cubicle, key, place, {"name": cubicle, "place": place, "holds": names})
        yield from (thing for one in own for thing in _thing(one, place))
    for one in placed:
        if _cubicle_of(one) not in cubicles(drawn):
            yield from _thing(one, _place(one))
    yield from _cables(drawn.cabling)


def _name(one: Device | Equipment) -> str:
    return one.tag if isinstance(one, Device) else one.name


def _cubicle_of(one: Device | Equipment) -> str:
    return f"cubicle {one.cubicle}" if one.cubicle is not None and one.section is not None else ""


def _place(one: Device | Equipment) -> str:
    """Where to go, without a cubicle."""
    if isinstance(one, Equipment) and one.inside:
        return f"inside {one.inside}"
    return one.section or ""


def _thing(one: Device | Equipment, place: str) -> Iterator[Thing]:
    kind = one.kind.value
    if kind not in tuple(Each):
        return
    name = _name(one)
    words = {"name": name, "place": place or name, "description": one.description or name}
    if isinstance(one, Device):
        words |= {"address": _address(one), "ratings": _ratings(one)}
    else:
        words |= {"address": "as drawn", "ratings": ""}
    yield Thing(Each(kind), name, name, place, words)


def _address(device: Device) -> str:
    address = device.address
    if address.host is not None:
        return address.host
    return f"unit {address.unit} on {address.via or (address.serial.port if address.serial else '')}"


def _ratings(device: Device) -> str:
    """The ratings of the map as a person compares them with a nameplate."""
    told = {
        "frame": device.ratings.frame_a,
        "sensor": device.ratings.sensor_a,
        "plug": device.ratings.plug_a,
        "CT primary": device.ratings.ct_primary_a,
    }
    given = ", ".join(f"{name} {value:g} A" for name, value in told.items() if value is not None)
    return f": {given}" if given else ""


def _cables(cabling: Cabling) -> Iterator[Thing]:
    for link in cabling.fibres:
        yield from _fibre(link)
    for channel in cabling.channels:
        yield _channel(channel)
    for bus in cabling.buses:
        yield _bus(bus)
    for feeder in cabling.feeders:
        yield from _feeder(feeder)
    for bank in cabling.banks:
        yield _bank(bank)
    for conduit in cabling.conduits:
        yield _conduit(conduit)


def _ends(ends: tuple[str, ...]) -> str:
    return f"{ends[0]} to {ends[1]}"


def _metres(value: float | None, spread: float = 0.0) -> str:
    if value is None:
        return "not given"
    return f"{value:g} ± {spread:g} m" if spread else f"{value:g} m"


def _fibre(link: FibreLink) -> Iterator[Thing]:
    words = {
        "name": link.name,
        "ends": _ends(link.ends),
        "fibre": link.fibre.value,
        "connector": f"; drawn: {link.connector}" if link.connector else "",
        "length": _metres(link.length_m, link.length_plus_minus_m),
        "wavelength": f"{link.wavelength_nm} nm",
    }
    yield Thing(Each.FIBRE, link.name, link.name, _ends(link.ends), words)
    if link.transceivers is not None:
        for end in link.ends:
            yield Thing(Each.FIBRE_END, link.name, f"{link.name}/{end}", end, {**words, "end": end}, end)


def _channel(one: Channel) -> Thing:
    length = _metres(one.fixed_m, one.fixed_plus_minus_m)
    words = {"name": one.name, "ends": _ends(one.ends), "length": length}
    return Thing(Each.CHANNEL, one.name, one.name, _ends(one.ends), words)


def _bus(bus: SerialBus) -> Thing:
    length = _metres(bus.length_m, bus.length_plus_minus_m)
    return Thing(
        Each.BUS,
        bus.name,
        bus.name,
        f"from {bus.line}",
        {"name": bus.name, "line": bus.line, "length": length},
    )


def _feeder(feeder: Feeder) -> Iterator[Thing]:
    words = {"name": feeder.name, "supply": feeder.supply, "conductor": feeder.conductor}
    yield Thing(Each.FEEDER, feeder.name, feeder.name, f"from {feeder.supply}", words)
    for load in feeder.loads:
        yield Thing(
            Each.FEEDER_LOAD, feeder.name, f"{feeder.name}/{load.name}", load.name, {**words, **_load(load)},
            load.name,
        )  # fmt: skip


def _load(load: FeederLoad) -> Words:
    return {"load": load.name, "length": _metres(load.distance_m, load.distance_plus_minus_m)}


def _bank(bank: Bank) -> Thing:
    words = {
        "name": bank.name,
        "supply": bank.supply,
        "rating": f" ({bank.rating_va:g} VA)" if bank.rating_va else "",
        "wanted": f"; wanted: {bank.wanted_min:g} min" if bank.wanted_min else "",
    }
    return Thing(Each.BANK, bank.name, bank.name, bank.supply, words)


def _conduit(conduit: Conduit) -> Thing:
    return Thing(
        Each.CONDUIT, conduit.name, conduit.name, "", {"name": conduit.name, "held": ", ".join(conduit.holds)}
    )
