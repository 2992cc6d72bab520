"""Copper: the voltage at each load along a shared DC feeder, at the worst end of supply and temperature.

The feeder is a chain; each stretch carries the current of all loads behind it, out and back. It is solved
from its far end: a voltage assumed there gives every current and every drop back to the supply, and the
highest far-end voltage that meets the supply's is the one at which the feeder runs. Loads of constant power
(converters) draw more as the voltage falls; beyond a point there is no solution and the supply collapses,
which is said as such.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from probe.desk.conductor import Conductor
from probe.desk.working import (
    Amount,
    Check,
    Outcome,
    Step,
    Working,
    at_least,
    at_most,
    between,
    exact,
    missing,
)
from probe.model.finding import Verdict

CAUTION = (
    "Calculated, not measured: measure at the terminals, with all loads on. Losing control power can trip or "
    "blind running plant; work on live terminals is for qualified persons under the site's procedure."
)
#: Limits of a 24 V DC supply. Source: IEC 61131-2 (as third-party texts quote it).
LEAST_V, MOST_V = 20.4, 28.8
#: The same with ripple. Source: IEC 61131-2 (from memory).
RIPPLE_LEAST_V = 19.2
_SUPPLY = "IEC 61131-2, 24 V DC -15/+20 % (as third-party texts quote it)"
_HALVINGS = 200  # of an interval: far below the rounding of a float
_GOLDEN = (5**0.5 - 1) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One consumer. distance_m: along the feeder from the supply. draw: amperes, or watts if is_power."""

    name: str
    distance_m: Amount
    draw: float
    is_power: bool = False

    def current_a(self, volts: float) -> float:
        """What it draws at a voltage; endless at none for constant power."""
        if not self.is_power:
            return self.draw
        return self.draw / volts if volts > 0 else float("inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Feeder:
    """Supply, conductor and loads. least_v, most_v: ends of the supply's tolerance or of its battery."""

    supply_v: float
    least_v: float
    most_v: float
    conductor: Conductor
    temperature_c: float
    loads: tuple[Load, ...]
    limit_least_v: float = LEAST_V
    limit_most_v: float = MOST_V
    limit_source: str = _SUPPLY


def voltages(supply_v: float, stretches: Sequence[float], loads: Sequence[Load]) -> tuple[float, ...] | None:
    """Volts at each load of a chain, nearest first; None if no voltage satisfies the loads.

    stretches: ohms, out and back, of the feeder before each load.
    Source: Ohm's and Kirchhoff's laws; common practice, no source for the search.
    """

    def supply_needed(end_v: float) -> float:
        return _backward(end_v, stretches, loads)[0]

    floor = _lowest(supply_needed, supply_v)
    if supply_needed(floor) > supply_v:
        return None
    low, high = floor, supply_v
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if supply_needed(middle) > supply_v else (middle, high)
    return _backward(low, stretches, loads)[1]


def _backward(
    end_v: float, stretches: Sequence[float], loads: Sequence[Load]
) -> tuple[float, tuple[float, ...]]:
    """Supply that an assumed far-end voltage needs, and the volts at each load."""
    volts, current, seen = end_v, 0.0, []
    for ohm, load in zip(reversed(stretches), reversed(loads), strict=True):
        seen.append(volts)
        current += load.current_a(volts)
        volts += ohm * current if ohm else 0.0  # nought times endless is no number
    return volts, tuple(reversed(seen))


def _lowest(supply_needed: Callable[[float], float], top_v: float) -> float:
    """Far-end voltage that needs the least supply: the fold, below which no feeder runs stably."""
    low, high = 0.0, top_v
    for _ in range(_HALVINGS):
        width = _GOLDEN * (high - low)
        left, right = high - width, low + width
        low, high = (low, right) if supply_needed(left) <= supply_needed(right) else (left, high)
    return high


def feeder_voltages(feeder: Feeder) -> Working:
    """Worst voltage at each load, each drop in a step of its own, against the limits of the loads.

    Source: Ohm's law; IEC 61131-2 for the limits of 24 V DC.
    """
    feeder = replace(feeder, loads=tuple(sorted(feeder.loads, key=lambda load: load.distance_m.value)))
    ohm_per_km = feeder.conductor.at(feeder.temperature_c)
    solved = voltages(feeder.least_v, _stretches(feeder, ohm_per_km, 0), feeder.loads)
    steps = [*_supply_step(feeder), _resistance_step(feeder, ohm_per_km)]
    if solved is None:
        outcomes = [missing(f"voltage at {load.name}", "V") for load in feeder.loads]
        steps.append(_collapse_step(feeder, ohm_per_km))
    else:
        outcomes = _outcomes(feeder, ohm_per_km, solved)
        steps += _drop_steps(feeder, ohm_per_km, solved)
    return Working(
        calculation="copper",
        inputs=_inputs(feeder),
        steps=(*steps, *_reach_step(feeder, ohm_per_km)),
        result=tuple(outcomes),
        checks=tuple(_checks(feeder, outcomes)),
        caution=CAUTION,
    )


def _stretches(feeder: Feeder, ohm_per_km: float, end: int) -> list[float]:
    """Ohms out and back before each load; end: -1, 0, 1 for shortest, given and longest distances."""
    at = [load.distance_m.value + end * load.distance_m.plus_minus for load in feeder.loads]
    return [2 * max(b - a, 0.0) / 1000 * ohm_per_km for a, b in zip([0.0, *at], at, strict=False)]


def _outcomes(feeder: Feeder, ohm_per_km: float, solved: Sequence[float]) -> list[Outcome]:
    others = [voltages(feeder.least_v, _stretches(feeder, ohm_per_km, end), feeder.loads) for end in (-1, 1)]
    ends = [one if one is not None else (0.0,) * len(solved) for one in others]
    return [
        between(f"voltage at {load.name}", volts, [end[index] for end in ends], "V")
        for index, (load, volts) in enumerate(zip(feeder.loads, solved, strict=True))
    ]


def _checks(feeder: Feeder, outcomes: Sequence[Outcome]) -> list[Check]:
    checks = [
        at_least(one, feeder.limit_least_v, feeder.limit_source, _remark(feeder, one)) for one in outcomes
    ]
    highest = exact("voltage of the supply without load", feeder.most_v, "V")
    return [*checks, at_most(highest, feeder.limit_most_v, feeder.limit_source)]


def _remark(feeder: Feeder, outcome: Outcome) -> str:
    if not outcome.exists:
        return "no solution: the supply collapses under loads of constant power"
    if feeder.limit_source != _SUPPLY or _reaches(outcome.value, feeder.limit_least_v):
        return ""
    side = "still above" if _reaches(outcome.value, RIPPLE_LEAST_V) else "also below"
    return f"{side} the {RIPPLE_LEAST_V} V that include ripple (IEC 61131-2, from memory)"


def _reaches(volts: float, limit_v: float) -> bool:
    """True if the voltage is not below the limit by more than rounding."""
    return at_least(exact("volts", volts, "V"), limit_v, "").verdict is Verdict.PASS


def _supply_step(feeder: Feeder) -> tuple[Step, ...]:
    if feeder.least_v < feeder.supply_v:
        text = f"from the least voltage of the supply, {feeder.least_v:g} V, not from {feeder.supply_v:g} V"
    else:
        text = (
            f"no least voltage of the supply was given: from {feeder.supply_v:g} V itself, which is not "
            "the worst case (give the supply's tolerance, or the battery's voltage at the end of discharge)"
        )
    return (Step(text=text),)


def _resistance_step(feeder: Feeder, ohm_per_km: float) -> Step:
    one = feeder.conductor
    text = (
        f"{one.name}: {one.ohm_per_km:.5g} ohm/km at {one.base_c:g} °C * (1 + {one.alpha:g} * "
        f"({feeder.temperature_c:g} - {one.base_c:g})) = {ohm_per_km:.5g} ohm/km"
    )
    return Step(text=text, source=one.source)


def _drop_steps(feeder: Feeder, ohm_per_km: float, solved: Sequence[float]) -> list[Step]:
    currents = [load.current_a(volts) for load, volts in zip(feeder.loads, solved, strict=True)]
    steps, before_v = [], feeder.least_v
    for index, (load, ohm) in enumerate(zip(feeder.loads, _stretches(feeder, ohm_per_km, 0), strict=True)):
        carried = sum(currents[index:])
        draws = f"{load.draw:g} W / {solved[index]:.5g} V = " if load.is_power else ""
        text = (
            f"{load.name}: draws {draws}{currents[index]:.4g} A; {before_v:.5g} V - {ohm:.4g} ohm (out and "
            f"back) * {carried:.4g} A = {solved[index]:.5g} V"
        )
        steps.append(Step(text=text, source="Ohm's law"))
        before_v = solved[index]
    return steps


def _collapse_step(feeder: Feeder, ohm_per_km: float) -> Step:
    text = f"no voltage satisfies the loads from {feeder.least_v:g} V: there is no solution"
    if len(feeder.loads) == 1 and feeder.loads[0].is_power:
        ohm = _stretches(feeder, ohm_per_km, 0)[0]
        most_w = feeder.least_v**2 / 4 / ohm
        text += f"; at most V² / 4R = {feeder.least_v:g}² / (4 * {ohm:.4g}) = {most_w:.4g} W can arrive"
    return Step(text=text, source="Ohm's law")


def _reach_step(feeder: Feeder, ohm_per_km: float) -> tuple[Step, ...]:
    """Longest run of a single load, for feeders that have one."""
    reach_m = longest_m(feeder)
    if reach_m is None:
        return ()
    spare = feeder.least_v - feeder.limit_least_v
    current = feeder.loads[0].current_a(feeder.limit_least_v)
    text = (
        f"longest run = {spare:.4g} V / (2 * {ohm_per_km:.5g} ohm/km * {current:.4g} A) = {reach_m:.4g} m "
        f"({reach_m / 0.3048:.4g} ft)"
    )
    return (Step(text=text, source="Ohm's law"),)


def longest_m(feeder: Feeder) -> float | None:
    """Longest run in metres that keeps a single load at its limit; None for several loads or no load.

    A load of constant power needs more than half the supply's voltage: below, its supply collapses first.
    """
    if len(feeder.loads) != 1 or feeder.loads[0].draw <= 0:
        return None
    at_v = feeder.limit_least_v
    if feeder.loads[0].is_power:
        at_v = max(at_v, feeder.least_v / 2)
    spare = max(feeder.least_v - at_v, 0.0)
    ohm_per_km = feeder.conductor.at(feeder.temperature_c)
    return spare / (2 * ohm_per_km * feeder.loads[0].current_a(at_v)) * 1000


def _inputs(feeder: Feeder) -> tuple[tuple[str, Amount | str | int], ...]:
    loads = [
        (f"load {load.name}", f"{load.distance_m}, {load.draw:g} {'W' if load.is_power else 'A'}")
        for load in feeder.loads
    ]
    return (
        ("conductor", feeder.conductor.name),
        ("temperature", Amount(value=feeder.temperature_c, unit="°C")),
        ("supply", Amount(value=feeder.supply_v, unit="V")),
        ("supply_least", Amount(value=feeder.least_v, unit="V")),
        ("supply_most", Amount(value=feeder.most_v, unit="V")),
        *loads,
    )
