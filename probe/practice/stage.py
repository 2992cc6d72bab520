"""From a scenario to parts and hosts: who plays what, and who sits behind which port."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from probe.model.device_map import Kind
from probe.model.errors import InputError
from probe.model.profile import Profile
from probe.practice.clockwork import Moment
from probe.practice.faults import inject, misfit
from probe.practice.image import Image
from probe.practice.instruments import clock_of, instrument_of
from probe.practice.manner import Manner
from probe.practice.metering import measure
from probe.practice.part import Part, Stage
from probe.practice.physics import Plant
from probe.practice.roster import ZONE, Entry, plant, roster
from probe.practice.scenario import Scenario
from probe.practice.server import Bus, Host, Unit
from probe.practice.show import Showing, choose_factors

#: Usual reply times by kind of device, seconds.
_REPLY_S = {
    Kind.TRIP_UNIT: 0.008,
    Kind.METER: 0.004,
    Kind.GATEWAY: 0.003,
    Kind.SWITCH: 0.005,
    Kind.UPS: 0.022,
    Kind.MASTER: 0.006,
}
#: Identity of a type where its profile does not say that all of the type show the same.
_NAMES = {"maker": "Quellmark", "model": "QM-1", "firmware": "2.4.1"}
_FIRMWARE = {"trip-unit-first": "3.1.4"}


def zone_offset_s(truth_s: float) -> float:
    """Local time minus UTC at the lineup at an instant, seconds."""
    offset = datetime.fromtimestamp(truth_s, UTC).astimezone(ZoneInfo(ZONE)).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0


def healthy_parts(scenario: Scenario, profiles: Callable[[str], Profile]) -> dict[str, Part]:
    """The parts of a scenario as drawn, before any fault, by tag. profiles: gives a profile by name."""
    drawn = roster()
    return {tag: _part(drawn[tag], profiles(drawn[tag].profile), scenario.seed) for tag in scenario.devices}


def _part(entry: Entry, profile: Profile, seed: str) -> Part:
    expect = profile.identity.expect
    identity = {**_NAMES, **expect, "serial": entry.serial}
    identity["firmware"] = _FIRMWARE.get(entry.profile, identity["firmware"])
    dice = random.Random(f"{seed}/start {entry.tag}")
    return Part(
        entry=entry,
        profile=profile,
        identity=identity,
        manner=Manner(reply_s=_REPLY_S[entry.kind], sockets=profile.limits.sockets + 1),
        instrument=instrument_of(entry, seed),
        clock=clock_of(entry, seed),
        breaker=entry.breaker,
        awake_s=dice.uniform(2e6, 5e6),
        bus=Bus() if entry.kind is Kind.GATEWAY else None,
    )


def set_stage(scenario: Scenario, parts: dict[str, Part], truth_s: float) -> Stage:
    """The stage with all faults of the scenario in place. Raises InputError for those that mean nothing."""
    stage = Stage(parts=parts, zone_s=zone_offset_s(truth_s))
    problems = [misfit(stage, fault, scenario.name) for fault in scenario.faults]
    if any(problems):
        raise InputError(problem for problem in problems if problem is not None)
    for fault in scenario.faults:
        inject(stage, fault)
    return stage


def plant_of(stage: Stage, seed: str) -> Plant:
    """The power side as the breakers stand; breakers that do not play stand as drawn."""
    drawn = {tag: entry.breaker == "closed" for tag, entry in roster().items() if entry.breaker}
    playing = {
        tag: part.breaker == "closed" and part.position == "connected"
        for tag, part in stage.parts.items()
        if part.entry.breaker
    }
    return plant(seed, drawn | playing)


def hosts_of(stage: Stage, plant_now: Plant, now: Callable[[], Moment]) -> dict[str, Host]:
    """Every address of its own, by the tag drawn there, with the device that really sits there."""
    seats = _seats(stage)
    units = {tag: _unit(stage, stage.parts[seat], plant_now, now) for tag, seat in seats.items()}
    hosts = {
        tag: Host(name=tag, own=units[tag], bus=stage.parts[seats[tag]].bus)
        for tag, part in stage.parts.items()
        if not part.entry.via
    }
    for tag, part in stage.parts.items():
        if part.entry.via:
            hosts[part.entry.via].units[part.entry.unit] = units[tag]
    for (gateway, number), twin in stage.extra_units.items():
        hosts[gateway].units[number] = _unit(stage, stage.parts[twin], plant_now, now)
    return hosts


def _seats(stage: Stage) -> Mapping[str, str]:
    """Place (by the tag drawn there) to the tag of the device that sits there."""
    seats = {tag: tag for tag in stage.parts}
    for one, other in stage.swapped:
        seats[one], seats[other] = seats[other], seats[one]
    return seats


def _unit(stage: Stage, part: Part, plant_now: Plant, now: Callable[[], Moment]) -> Unit:
    typical = (
        measure(plant_now, part.entry.circuit, part.instrument, 0.0) if part.instrument is not None else {}
    )
    showing = Showing(zone_s=stage.zone_s, factors=choose_factors(part.profile, typical))
    return Unit(tag=part.entry.tag, registers=Image(part, plant_now, showing, now), manner=part.manner)
