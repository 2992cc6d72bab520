"""Worked examples of every desk calculation, each line of them as a person reads it.

What is given, each step with its numbers, units and source, results with their intervals, and every limit
stand in ``desk_steps.yaml``, beside the arithmetic that was done apart from this project's code.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from probe.desk import battery, bus, channel, conduit, copper, fibre, insulation
from probe.desk.conductor import CONDUCTORS, Conductor
from probe.desk.working import Amount, Check, Outcome, Working
from probe.model.cable_words import Cable, Fibre

WORKED = yaml.safe_load((Path(__file__).parent / "desk_steps.yaml").read_text(encoding="utf-8"))


def metres(value: float, plus_minus: float = 0.0) -> Amount:
    return Amount(value=value, unit="m", plus_minus=plus_minus)


LINK = fibre.Link(
    fibre=Fibre.OM1, wavelength_nm=1300, length_m=metres(350, 10), connectors=4, splices=2
)  # fmt: skip
OPTICS = fibre.Optics(launch_least_dbm=-20, launch_most_dbm=-14, sensitivity_dbm=-30, overload_dbm=-14)
OWN = replace(LINK, fibre=Fibre.OM2, db_per_km=0.9, connector_db=0.5, splice_db=0.1)
SHORT_WAVE = replace(LINK, wavelength_nm=850, length_m=metres(300))

SCAN = bus.Round(
    devices=(*((45, 45, 25),) * 3, (255,)),
    response_s=Amount(value=0.05, unit="s", plus_minus=0.01),
    gap_s=0.005,
    dead=1,
    timeout_s=0.5,
    retries=1,
)
ALL_ANSWER = replace(SCAN, dead=0, gap_s=0.0)


def load(name: str, distance_m: float, draw: float, *, watts: bool = False, unsure: float = 0) -> copper.Load:
    return copper.Load(name=name, distance_m=metres(distance_m, unsure), draw=draw, is_power=watts)


FEEDER = copper.Feeder(
    supply_v=24, least_v=24, most_v=24, conductor=CONDUCTORS["awg14"], temperature_c=75,
    loads=(load("X", 45.72, 5),),
)  # fmt: skip
SHEET = Conductor("ten", 10.0, 20.0, 0.004, "a sheet")
SHARED = replace(
    FEEDER, conductor=SHEET, temperature_c=45, least_v=22.8, most_v=28,
    loads=(load("far", 40, 2, unsure=2), load("near", 10, 60, watts=True)),
)  # fmt: skip
COLLAPSED = replace(FEEDER, conductor=SHEET, temperature_c=20, loads=(load("A", 45, 200, watts=True),))
OTHER_LIMITS = replace(
    FEEDER, limit_least_v=18, limit_most_v=30, limit_source="the map", loads=(load("X", 45.72, 6),)
)

BANK = battery.Bank(volts=24, capacity_ah=12, depth=0.8, efficiency=0.9)
FAST = replace(BANK, exponent=1.2, temperature_c=15.6, health=1.0)
COLD = replace(BANK, exponent=1.2, temperature_c=10)


def stretches(*parts: tuple[float, float | None]) -> tuple[battery.Stretch, ...]:
    return tuple(
        battery.Stretch(watts=w) if hours is None else battery.Stretch(watts=w, hours=hours)
        for w, hours in parts
    )


NEIGHBOURS = conduit.Neighbourhood(
    data_class="b", divider="open", circuits=12, distance_mm=Amount(value=70, unit="mm", plus_minus=5)
)
#: Made when asked for, not when this file is read.
EXAMPLES: dict[str, Callable[[], Working]] = {
    "fibre with optics and application": lambda: fibre.budget(
        LINK, optics=OPTICS, application=fibre.application_for("100base-fx", Fibre.OM1)
    ),
    "fibre by its own data sheet": lambda: fibre.budget(
        OWN, application=fibre.application_for("100base-fx", Fibre.OM2), ageing_db=4.5
    ),
    "fibre too long for short wave": lambda: fibre.budget(
        SHORT_WAVE, application=fibre.application_for("1000base-sx", Fibre.OM1)
    ),
    "channel in the heat": lambda: channel.channel_length(
        channel.Channel(fixed_m=metres(75, 1), cords_m=metres(12, 0.5), cord_gauge=26, ambient_c=45)
    ),
    "channel of 100 m": lambda: channel.channel_length(
        channel.Channel(fixed_m=metres(90), cords_m=metres(10), screened=True)
    ),
    "slow line with a dead device": lambda: bus.cycle(
        bus.Line(baud=9600), SCAN, wanted_s=2.5,
        reach=bus.Reach(length_m=metres(550, 60), cable="cat5", polarised=True),
    ),
    "fast line of ten bits": lambda: bus.cycle(
        bus.Line(baud=115_200, bits=10), ALL_ANSWER, wanted_s=1, reach=bus.Reach(length_m=metres(900))
    ),
    "fieldbus": lambda: bus.cycle(
        bus.Line(baud=500_000), ALL_ANSWER, reach=bus.Reach(length_m=metres(400), cable="type-3")
    ),
    "one load on gauge 14": lambda: copper.feeder_voltages(FEEDER),
    "two loads on one feeder": lambda: copper.feeder_voltages(SHARED),
    "a feeder that collapses": lambda: copper.feeder_voltages(COLLAPSED),
    "loads with limits of their own": lambda: copper.feeder_voltages(OTHER_LIMITS),
    "autonomy at end of life": lambda: battery.autonomy(BANK, stretches((96, None)), wanted_h=1.5),
    "autonomy with rate effect, cold": lambda: battery.autonomy(FAST, stretches((240, 0.1), (10.8, None))),
    "autonomy, kept hot": lambda: battery.autonomy(
        replace(BANK, temperature_c=33.3, hours=10), stretches((96, 0.5), (48, 0.5)), wanted_h=2
    ),
    "capacity for two hours": lambda: battery.sizing(
        replace(BANK, capacity_ah=0, depth=1.0), stretches((96, 2)), ageing=1.25
    ),
    "capacity with rate effect, cold": lambda: battery.sizing(
        COLD, stretches((240, 0.5), (12, 1.5)), design_margin=1.15, ageing=1.25
    ),
    "conduit beside power": lambda: conduit.conduit((Cable.PAIR, Cable.FIBRE, Cable.POWER), NEIGHBOURS),
    "insulation": lambda: insulation.insulation(125, Amount(value=2, unit="MOhm", plus_minus=0.2)),
}  # fmt: skip


def lines(working: Working) -> Iterator[str]:
    """A calculation as one would copy it by hand."""
    yield from (f"given {name}: {value}" for name, value in working.inputs)
    yield from (f"{step.text} [{step.source}]" for step in working.steps)
    yield from map(outcome_line, working.result)
    yield from map(check_line, working.checks)
    for one in working.statements:
        yield f"{one.verdict}: {one.name}: {one.text} [{one.source}]"
    yield f"{working.calculation}: {working.verdict}"


def outcome_line(one: Outcome) -> str:
    if not one.exists:
        return f"no {one.name} [{one.unit}]"
    return f"{one.name} = {one.value:.6g} {one.unit}, {one.low:.6g} to {one.high:.6g}"


def check_line(check: Check) -> str:
    bound = check.least or check.most
    assert bound is not None
    limit = f"{bound.sure:g}" if bound.sure == bound.beyond else f"{bound.sure:g} to {bound.beyond:g}"
    words = "at least" if check.least else "at most"
    margin = f"{check.margin:.6g} {check.margin_unit}"
    remark = f" ({check.remark})" if check.remark else ""
    return f"{check.verdict}: {check.outcome.name} {words} {limit}: {margin} [{check.source}]{remark}"


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_line_of_a_worked_example(name: str) -> None:
    assert list(lines(EXAMPLES[name]())) == WORKED[name]["lines"]


def test_every_worked_example_is_calculated() -> None:
    assert list(WORKED) == list(EXAMPLES)
    assert all(one["by_hand"] for one in WORKED.values())
