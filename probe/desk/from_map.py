"""Every desk calculation that a map's cabling allows; each with the name of the cable that it is about.

A pure function of the map: the same record gives the same numbers again. What the map leaves out is not
guessed: a fibre without application and transceivers has a loss and no limit, and is not tested.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from probe.desk import battery, bus, channel, conduit, copper, fibre
from probe.desk.conductor import CONDUCTORS
from probe.desk.working import Amount, Working
from probe.model.cable_data import Channel, FibreLink, SerialBus
from probe.model.cable_power import Bank, Feeder, Stage
from probe.model.cabling import Cabling, Conduit
from probe.model.device_map import DeviceMap

#: Source: MODBUS over Serial Line V1.02, 3.2 (default).
STANDARD_BAUD = 19_200
PHASES = 3


class Kind(StrEnum):
    """What is calculated; the value is the last word of the check's id."""

    FIBRE = "fibre"
    CHANNEL = "channel"
    BUS = "bus"
    COPPER = "copper"
    AUTONOMY = "autonomy"
    CAPACITY = "capacity"
    CONDUIT = "conduit"
    CURVE = "curve"  # made in ``curve_from_map``; no check, for want of a limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Calculation:
    """One calculation. name: of the cable, battery or conduit in the map; title: for people."""

    kind: Kind
    name: str
    title: str
    working: Working


def calculations(drawn: DeviceMap) -> tuple[Calculation, ...]:
    """All calculations of the map's cabling, in the order in which the map lists its parts."""
    return tuple(_calculations(drawn))


def names(cabling: Cabling, kind: Kind) -> tuple[str, ...]:
    """Names of the entries for which there is a calculation of a kind; nothing is calculated."""
    by_kind: dict[Kind, tuple[str, ...]] = {
        Kind.FIBRE: tuple(one.name for one in cabling.fibres),
        Kind.CHANNEL: tuple(one.name for one in cabling.channels),
        Kind.BUS: tuple(one.name for one in cabling.buses),
        Kind.COPPER: tuple(one.name for one in cabling.feeders),
        Kind.AUTONOMY: tuple(one.name for one in cabling.banks),
        Kind.CAPACITY: tuple(one.name for one in cabling.banks if one.wanted_min is not None),
        Kind.CONDUIT: tuple(one.name for one in cabling.conduits),
    }
    return by_kind.get(kind, ())


def _calculations(drawn: DeviceMap) -> Iterator[Calculation]:
    cabling = drawn.cabling
    for link in cabling.fibres:
        yield _made(Kind.FIBRE, link.name, f"fibre {' - '.join(link.ends)}", fibre_working(link))
    for one in cabling.channels:
        yield _made(Kind.CHANNEL, one.name, f"channel {' - '.join(one.ends)}", channel_working(one))
    for line in cabling.buses:
        yield _made(Kind.BUS, line.name, f"serial line {line.line}", bus_working(line, drawn))
    for feeder in cabling.feeders:
        yield _made(Kind.COPPER, feeder.name, f"DC feeder from {feeder.supply}", copper_working(feeder))
    for bank in cabling.banks:
        yield _made(Kind.AUTONOMY, bank.name, f"battery of {bank.supply}", autonomy_working(bank))
        if bank.wanted_min is not None:
            title = f"capacity that {bank.supply} needs"
            yield _made(Kind.CAPACITY, bank.name, title, capacity_working(bank, bank.wanted_min))
    for held in cabling.conduits:
        yield _made(Kind.CONDUIT, held.name, "cables in one conduit", conduit_working(held, cabling))


def _made(kind: Kind, name: str, title: str, working: Working) -> Calculation:
    return Calculation(kind=kind, name=name, title=f"{name}: {title}", working=working)


def fibre_working(link: FibreLink, length_m: Amount | None = None) -> Working:
    """Optical budget of a link. length_m: as measured, in place of the drawing's."""
    length = length_m or Amount(value=link.length_m, unit="m", plus_minus=link.length_plus_minus_m)
    way = fibre.Link(
        fibre=link.fibre,
        wavelength_nm=link.wavelength_nm,
        length_m=length,
        connectors=link.connectors,
        splices=link.splices,
        connector_db=fibre.CONNECTOR_DB if link.connector_db is None else link.connector_db,
        splice_db=fibre.SPLICE_DB if link.splice_db is None else link.splice_db,
        db_per_km=link.db_per_km or 0.0,
    )
    optics = None if link.transceivers is None else fibre.Optics(**link.transceivers.model_dump())
    application = link.application and fibre.application_for(link.application, link.fibre)
    return fibre.budget(
        way,
        optics=optics,
        application=application or None,
        ageing_db=fibre.AGEING_DB if link.ageing_db is None else link.ageing_db,
    )


def channel_working(one: Channel, fixed_m: Amount | None = None) -> Working:
    """Length of a channel against the standard's. fixed_m: as measured, in place of the drawing's."""
    fixed = fixed_m or Amount(value=one.fixed_m, unit="m", plus_minus=one.fixed_plus_minus_m)
    return channel.channel_length(
        channel.Channel(
            fixed_m=fixed,
            cords_m=Amount(value=one.cords_m, unit="m"),
            cord_gauge=one.cord_gauge,
            ambient_c=one.ambient_c,
            screened=one.screened,
        )
    )


def tags_on(line: SerialBus, drawn: DeviceMap) -> tuple[str, ...]:
    """Tags of the map's devices on a serial line, by its gateway or its port."""
    return tuple(
        device.tag
        for device in drawn.devices
        if device.address.via == line.line
        or (device.address.serial is not None and device.address.serial.port == line.line)
    )


def bus_working(line: SerialBus, drawn: DeviceMap, length_m: Amount | None = None) -> Working:
    """Round and reach of a serial line with the devices that the map has on it.

    length_m: as measured, in place of the drawing's.
    """
    tags = tags_on(line, drawn)
    serial = next((drawn.target(tag).serial for tag in tags), None)
    baud = line.baud or (serial.baud if serial is not None else STANDARD_BAUD)
    scan = bus.Round(
        devices=((bus.reply_bytes(line.registers),) * line.requests,) * len(tags),
        response_s=Amount(
            value=line.response_ms / 1000, unit="s", plus_minus=line.response_plus_minus_ms / 1000
        ),
        gap_s=line.gap_ms / 1000,
        dead=min(line.dead, len(tags)),
        timeout_s=line.timeout_s,
        retries=line.retries,
    )
    length = length_m
    if length is None and line.length_m is not None:
        length = Amount(value=line.length_m, unit="m", plus_minus=line.length_plus_minus_m)
    reach = bus.Reach(length_m=length, cable=line.cable, polarised=line.polarised, four_wire=line.four_wire)
    return bus.cycle(bus.Line(baud=baud, bits=line.bits), scan, wanted_s=line.wanted_s, reach=reach)


def copper_working(feeder: Feeder, distances_m: dict[str, Amount] | None = None) -> Working:
    """Voltage at each load of a feeder. distances_m: as measured, by load, in place of the drawing's."""
    return copper.feeder_voltages(feeder_of(feeder, distances_m or {}))


def feeder_of(feeder: Feeder, distances_m: dict[str, Amount]) -> copper.Feeder:
    """The feeder as ``copper`` takes it."""
    loads = tuple(
        copper.Load(
            name=load.name,
            distance_m=distances_m.get(load.name)
            or Amount(value=load.distance_m, unit="m", plus_minus=load.distance_plus_minus_m),
            draw=load.draw_w if load.draw_w is not None else (load.draw_a or 0.0),
            is_power=load.draw_w is not None,
        )
        for load in feeder.loads
    )
    given = {
        "limit_least_v": feeder.limit_least_v,
        "limit_most_v": feeder.limit_most_v,
        "limit_source": None
        if feeder.limit_least_v is None and feeder.limit_most_v is None
        else "limits of the loads, as the map gives them",
    }
    return copper.Feeder(
        supply_v=feeder.supply_v,
        least_v=feeder.supply_least_v or feeder.supply_v,
        most_v=feeder.supply_most_v or feeder.supply_v,
        conductor=CONDUCTORS[feeder.conductor],
        temperature_c=feeder.temperature_c,
        loads=loads,
        **{name: value for name, value in given.items() if value is not None},  # type: ignore[arg-type]
    )


def autonomy_working(bank: Bank) -> Working:
    """How long a battery carries its loads, against the time that is wanted."""
    wanted = None if bank.wanted_min is None else bank.wanted_min / 60
    return battery.autonomy(_bank(bank), [_stretch(stage) for stage in bank.load_profile], wanted_h=wanted)


def capacity_working(bank: Bank, wanted_min: float) -> Working:
    """What capacity the loads need for the wanted time, against the battery's."""
    return battery.sizing(_bank(bank), _for(bank, wanted_min), ageing=1 / bank.health)


def _for(bank: Bank, wanted_min: float) -> list[battery.Stretch]:
    """The load profile for just the wanted time: cut off, or its last part gone on with."""
    made, left = [], wanted_min / 60
    for stage in bank.load_profile:
        hours = min(_stretch(stage).hours, left)
        if hours > 0:
            made.append(battery.Stretch(watts=stage.draw_w, hours=hours))
        left -= hours
    if left > 0:
        last = made[-1]
        made[-1] = battery.Stretch(watts=last.watts, hours=last.hours + left)
    return made


def _stretch(stage: Stage) -> battery.Stretch:
    hours = math.inf if stage.minutes is None else stage.minutes / 60
    return battery.Stretch(watts=stage.draw_w, hours=hours)


def _bank(bank: Bank) -> battery.Bank:
    return battery.Bank(
        volts=bank.voltage_v,
        capacity_ah=bank.capacity_ah,
        hours=bank.hour_rate_h,
        exponent=bank.rate_exponent,
        depth=bank.depth,
        efficiency=bank.efficiency,
        health=bank.health,
        temperature_c=bank.temperature_c,
    )


def conduit_working(held: Conduit, cabling: Cabling) -> Working:
    """Which of a conduit's cables may run together, and the distance to power beside it."""
    beside = held.beside_power
    neighbours = None
    if beside is not None:
        circuits = beside.circuits
        if beside.feeder_a is not None:
            circuits += conduit.circuits_of(beside.feeder_a, PHASES)
        neighbours = conduit.Neighbourhood(
            data_class=beside.data_class,
            divider=beside.divider,
            circuits=circuits,
            distance_mm=Amount(value=beside.distance_mm, unit="mm"),
        )
    return conduit.conduit([cabling.kind_in_conduit(name) for name in held.holds], neighbours)
