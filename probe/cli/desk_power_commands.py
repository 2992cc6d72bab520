"""The commands ``desk copper`` (feeder and channel) and ``desk battery``: texts to calculations."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from probe.cli import desk_amount as given
from probe.cli.desk_commands import show
from probe.desk import battery as batteries
from probe.desk import channel as channels
from probe.desk import copper as coppers
from probe.desk.conductor import CONDUCTORS
from probe.model.cable_words import (
    COLDEST_BATTERY_C,
    COLDEST_COPPER_C,
    HOTTEST_BATTERY_C,
    HOTTEST_COPPER_C,
)

_LOAD = re.compile(r"\s*(\S+)\s+(.+?\s*(?:km|m|ft))[\s,]+([\d.]+\s*[A-Za-z]+)\s*", re.IGNORECASE)
_LOAD_FORM = "NAME, distance from the supply, current or power: MC1 40 m 5 A, or SW1 25 m 60 W"
_STRETCH_FORM = "power and how long: 96 W for 2 h; the last one may go on: 96 W"


@dataclass(frozen=True, slots=True, kw_only=True)
class CopperWanted:
    """What was typed for ``desk copper``; empty texts were left out."""

    conductor: str
    temperature: str
    supply: str
    supply_least: str
    supply_most: str
    loads: Sequence[str]
    limit_least: str
    limit_most: str
    fixed: str
    cords: str
    cord_gauge: int
    screened: bool


def copper(wanted: CopperWanted, *, as_json: bool) -> int:
    """Show the feeder's voltages, or the channel's length. Raises InputError."""
    if bool(wanted.fixed) == bool(wanted.loads):
        raise given.problem(
            "--load",
            "either a DC feeder or a data channel",
            "both" if wanted.fixed else "neither",
            "--load (with --supply and --conductor), or --fixed (with --cords)",
        )
    if wanted.fixed:
        return show(channels.channel_length(_channel(wanted)), as_json=as_json)
    return show(coppers.feeder_voltages(_feeder(wanted)), as_json=as_json)


def _channel(wanted: CopperWanted) -> channels.Channel:
    if wanted.cord_gauge not in channels.DERATING:
        raise given.problem(
            "--cord-gauge",
            "no such cord is in the standard",
            str(wanted.cord_gauge),
            ", ".join(str(one) for one in channels.DERATING),
        )
    return channels.Channel(
        fixed_m=given.amount("--fixed", wanted.fixed, given.LENGTH),
        cords_m=given.amount("--cords", wanted.cords, given.LENGTH),
        cord_gauge=wanted.cord_gauge,
        ambient_c=given.value("--temperature", wanted.temperature, given.TEMPERATURE, least=-40),
        screened=wanted.screened,
    )


def _feeder(wanted: CopperWanted) -> coppers.Feeder:
    def volts(option: str, text: str, otherwise: float) -> float:
        return given.value(option, text, given.VOLTAGE, above=True) if text else otherwise

    name = given.choice("--conductor", wanted.conductor, tuple(CONDUCTORS))
    supply = volts("--supply", wanted.supply or "", 24.0)
    least, most = (
        volts("--supply-least", wanted.supply_least, supply),
        volts("--supply-most", wanted.supply_most, supply),
    )
    if not least <= supply <= most:
        raise given.problem(
            "--supply-least",
            "the supply is not between its least and most",
            f"{least:g}, {supply:g}, {most:g} V",
            "least <= supply <= most",
        )
    temperature = given.value("--temperature", wanted.temperature, given.TEMPERATURE, least=COLDEST_COPPER_C)
    if temperature > HOTTEST_COPPER_C:
        raise given.problem(
            "--temperature", "no insulation bears this", wanted.temperature, f"up to {HOTTEST_COPPER_C:g} C"
        )
    own = bool(wanted.limit_least) or bool(wanted.limit_most)
    if supply != 24.0 and not (wanted.limit_least and wanted.limit_most):
        raise given.problem(
            "--limit-least",
            "the limits of IEC 61131-2 are known for 24 V only",
            f"{supply:g} V",
            "--limit-least and --limit-most of the loads",
        )
    source = {"limit_source": "limits of the loads, as given"} if own else {}
    return coppers.Feeder(
        supply_v=supply,
        least_v=least,
        most_v=most,
        conductor=CONDUCTORS[name],
        temperature_c=temperature,
        loads=_loads(wanted.loads),
        limit_least_v=volts("--limit-least", wanted.limit_least, coppers.LEAST_V),
        limit_most_v=volts("--limit-most", wanted.limit_most, coppers.MOST_V),
        **source,
    )


def _loads(texts: Sequence[str]) -> tuple[coppers.Load, ...]:
    loads = [_load(text) for text in texts]
    names = [load.name for load in loads]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise given.problem("--load", "two loads have one name", twice, "a name of its own for each")
    return tuple(loads)


def _load(text: str) -> coppers.Load:
    match = _LOAD.fullmatch(text)
    if match is None:
        raise given.problem("--load", "this is no load", text, _LOAD_FORM)
    is_power = match[3].lower().endswith("w")
    return coppers.Load(
        name=match[1].rstrip(","),
        distance_m=given.amount("--load", match[2], given.LENGTH),
        draw=given.value("--load", match[3], given.POWER if is_power else given.CURRENT),
        is_power=is_power,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryWanted:
    """What was typed for ``desk battery``; empty texts were left out."""

    voltage: str
    capacity: str
    hour_rate: str
    exponent: float
    depth: float
    efficiency: float
    health: float
    temperature: str
    loads: Sequence[str]
    wanted: str
    size: bool
    margin: float


def battery(wanted: BatteryWanted, *, as_json: bool) -> int:
    """Show how long a bank lasts, or what capacity the loads need. Raises InputError."""
    bank, profile = _bank(wanted), _profile(wanted.loads)
    if wanted.size:
        if math.isinf(profile[-1].hours):
            raise given.problem("--load", "for how long?", wanted.loads[-1], _STRETCH_FORM)
        if wanted.margin < 1:
            raise given.problem(
                "--margin", "a margin does not shrink the bank", f"{wanted.margin:g}", "1 or more"
            )
        working = batteries.sizing(bank, profile, design_margin=wanted.margin, ageing=1 / wanted.health)
        return show(working, as_json=as_json)
    if not wanted.capacity:
        raise given.problem(
            "--capacity",
            "which capacity has the bank?",
            "",
            "ampere-hours, as 12 Ah",
            "or ask what is needed with --size",
        )
    wanted_h = given.value("--wanted", wanted.wanted, given.HOURS, above=True) if wanted.wanted else None
    return show(batteries.autonomy(bank, profile, wanted_h=wanted_h), as_json=as_json)


def _bank(wanted: BatteryWanted) -> batteries.Bank:
    if not 1 <= wanted.exponent <= 2:
        raise given.problem("--rate-exponent", "no battery has this", f"{wanted.exponent:g}", "1 (none) to 2")
    coldest, hottest = COLDEST_BATTERY_C, HOTTEST_BATTERY_C
    temperature = given.value("--temperature", wanted.temperature, given.TEMPERATURE, least=-273)
    if not coldest <= temperature <= hottest:
        raise given.problem(
            "--temperature",
            "no factor is known here",
            wanted.temperature,
            f"{coldest:g} to {hottest:g} C",
            "ask the maker of the battery",
        )
    return batteries.Bank(
        volts=given.value("--voltage", wanted.voltage, given.VOLTAGE, above=True),
        capacity_ah=given.value("--capacity", wanted.capacity, given.CAPACITY, above=True)
        if wanted.capacity
        else 0.0,
        hours=given.value("--hour-rate", wanted.hour_rate, given.HOURS, above=True),
        exponent=wanted.exponent,
        depth=given.part("--depth", wanted.depth),
        efficiency=given.part("--efficiency", wanted.efficiency),
        health=given.part("--health", wanted.health),
        temperature_c=temperature,
    )


def _profile(texts: Sequence[str]) -> tuple[batteries.Stretch, ...]:
    profile = tuple(_stretch(text) for text in texts)
    for text, one in zip(texts[:-1], profile[:-1], strict=True):
        if math.isinf(one.hours):
            raise given.problem("--load", "only the last load may go on without an end", text, _STRETCH_FORM)
    return profile


def _stretch(text: str) -> batteries.Stretch:
    power, word, lasting = text.partition(" for ")
    watts = given.value("--load", power, given.POWER, above=True)
    if not word:
        return batteries.Stretch(watts=watts)
    return batteries.Stretch(watts=watts, hours=given.value("--load", lasting, given.HOURS, above=True))
