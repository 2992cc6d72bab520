"""Battery: how long a UPS or DC bank carries its loads, and what capacity a wanted time needs.

Each stretch of the load profile uses up a part of the bank: its length over the time in which that current
alone would empty it. Empty is the allowed depth of discharge. The rate effect (Peukert) makes a bank give
less at a high current; what it would give more below its rated current is not counted, to be safe.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from probe.desk.working import (
    COMMON_PRACTICE,
    Amount,
    Check,
    Outcome,
    Step,
    Working,
    at_least,
    at_most,
    between,
    exact,
)
from probe.model.cable_words import COLDEST_BATTERY_C, HOTTEST_BATTERY_C

CAUTION = (
    "The evidence is a timed discharge, not this estimate and not the register of the UPS. A battery cannot "
    "be switched off: its terminals stay live; a discharge test takes the backup away, and for a while after."
)
_ENERGY = "energy balance: common practice, no source"
_RATE = "rate effect t = H (C / (I H))^k: common practice, no source"
_COLD = "IEEE 485, temperature factors on 25 °C (from memory)"
_FACTORS = "IEEE 485, design margin and ageing (from memory)"
_PREDICTION = 0.20  # predicted against measured discharge. Source: common practice, no source
#: Temperature and cell size factor; at 0 °C the larger of 1.35 to 1.40. Source: IEEE 485 (from memory).
_COLD_FACTORS = ((0.0, 1.40), (4.4, 1.30), (10.0, 1.19), (15.6, 1.11), (21.1, 1.04), (25.0, 1.00))
END_OF_LIFE = 0.8
_SEARCH_STEPS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Bank:
    """The battery. hours: rate of its capacity; depth: part that may be used; health: part that age left.

    exponent: of the rate effect, 1 for none. efficiency: from battery to load.
    """

    volts: float
    capacity_ah: float
    hours: float = 20.0
    exponent: float = 1.0
    depth: float = 1.0
    efficiency: float = 1.0
    health: float = END_OF_LIFE
    temperature_c: float = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of the load profile. hours: infinite for the last, which runs until the bank is empty."""

    watts: float
    hours: float = math.inf


def discharge_h(hours: float, capacity_ah: float, current_a: float, exponent: float) -> float:
    """Hours until a capacity given at an hour rate is used up at a current: H (C / (I H))^k.

    Source: common practice, no source (the law of the rate effect).
    """
    return hours * math.pow(capacity_ah / (current_a * hours), exponent)


def cold_factor(temperature_c: float) -> float:
    """How much larger a bank must be when cold, by straight lines between the table's places; 1 above 25 °C.

    Raises ValueError outside 0 to 51.7 °C.
    Source: IEEE 485 (from memory); range as quoted publicly.
    """
    if not COLDEST_BATTERY_C <= temperature_c <= HOTTEST_BATTERY_C:
        raise ValueError(temperature_c)
    for (low_c, low), (high_c, high) in pairwise(_COLD_FACTORS):
        if temperature_c <= high_c:
            return low + (high - low) * (temperature_c - low_c) / (high_c - low_c)
    return 1.0


def life_factor(temperature_c: float) -> float:
    """Part of the design life that remains at a lasting temperature: halved for each 8.3 K above 25 °C.

    Source: IEEE 1188 (from memory).
    """
    return math.pow(0.5, max(temperature_c - 25, 0.0) / 8.3)


def cell_size_ah(uncorrected_ah: float, temperature: float, margin: float, ageing: float) -> float:
    """Capacity to buy: uncorrected size times temperature, design margin and ageing factors.

    Source: IEEE 485 (from memory).
    """
    return uncorrected_ah * temperature * margin * ageing


def available_ah(bank: Bank) -> float:
    """Capacity that age and cold have left. Raises ValueError for a temperature outside the table."""
    return bank.capacity_ah * bank.health / cold_factor(bank.temperature_c)


def autonomy_h(bank: Bank, profile: Sequence[Stretch]) -> float:
    """Hours until the bank is at its allowed depth; the last stretch goes on if the profile ends before.

    Raises ValueError for a temperature outside the table.
    """
    used, passed = 0.0, 0.0
    for stretch in (*profile[:-1], Stretch(watts=profile[-1].watts)):
        empty_h = _empty_h(bank, available_ah(bank), stretch.watts)
        if used + stretch.hours / empty_h >= bank.depth:
            return passed + (bank.depth - used) * empty_h
        used += stretch.hours / empty_h
        passed += stretch.hours
    return math.inf  # only where the last load draws nothing


def needed_ah(bank: Bank, profile: Sequence[Stretch]) -> float:
    """Uncorrected capacity (new, 25 °C) that just carries a profile of finite stretches, by halving."""

    def used(capacity_ah: float) -> float:
        return sum(one.hours / _empty_h(bank, capacity_ah, one.watts) for one in profile)

    low, high = 0.0, 1.0
    while used(high) > bank.depth:
        high *= 2
    for _ in range(_SEARCH_STEPS):
        middle = (low + high) / 2
        low, high = (middle, high) if used(middle) > bank.depth else (low, middle)
    return high


def _empty_h(bank: Bank, capacity_ah: float, watts: float) -> float:
    """Hours to the very end at a load; no credit for currents below the rated one."""
    current_a = watts / (bank.volts * bank.efficiency)
    if current_a <= 0:
        return math.inf
    exponent = bank.exponent if current_a * bank.hours > capacity_ah else 1.0
    return discharge_h(bank.hours, capacity_ah, current_a, exponent)


def autonomy(bank: Bank, profile: Sequence[Stretch], *, wanted_h: float | None = None) -> Working:
    """How long the bank lasts, give or take 20 percent, and whether that is enough.

    Raises ValueError for a temperature outside the table.
    Source: common practice, no source (energy, rate effect, accuracy of prediction); IEEE 485 (from memory).
    """
    hours = autonomy_h(bank, profile)
    lasts = between(
        "autonomy", hours * 60, ((1 - _PREDICTION) * hours * 60, (1 + _PREDICTION) * hours * 60), "min"
    )
    checks = (
        ()
        if wanted_h is None
        else (at_least(lasts, wanted_h * 60, "time that the site wants", "prove it by a timed discharge"),)
    )
    steps = (
        *_bank_steps(bank),
        *_profile_steps(bank, profile, available_ah(bank)),
        Step(
            text=f"autonomy = {hours * 60:.5g} min, predicted within {_PREDICTION:.0%}",
            source=COMMON_PRACTICE,
        ),
    )
    return Working(
        calculation="battery",
        inputs=_inputs(bank, profile, wanted_h),
        steps=steps,
        result=(lasts,),
        checks=checks,
        caution=CAUTION,
    )


def sizing(
    bank: Bank, profile: Sequence[Stretch], *, design_margin: float = 1.10, ageing: float = 1 / END_OF_LIFE
) -> Working:
    """Capacity that a profile needs at end of life and lowest temperature, against the bank's if it has one.

    bank.capacity_ah: 0 where none is chosen. Raises ValueError for a temperature outside the table.
    Source: IEEE 485 (from memory).
    """
    uncorrected = needed_ah(bank, profile)
    cold = cold_factor(bank.temperature_c)
    size = cell_size_ah(uncorrected, cold, design_margin, ageing)
    need = exact("capacity needed", size, "Ah")
    result: tuple[Outcome, ...] = (exact("uncorrected capacity", uncorrected, "Ah"), need)
    checks: tuple[Check, ...] = ()
    if bank.capacity_ah:
        checks = (at_most(need, bank.capacity_ah, "capacity of the bank, as given"),)
    steps = (
        *_need_steps(bank, profile, uncorrected),
        Step(text=f"at {bank.temperature_c:g} °C the factor is {cold:.4g}", source=_COLD),
        Step(
            text=f"{uncorrected:.5g} Ah * {cold:.4g} * margin {design_margin:g} * ageing {ageing:g} = "
            f"{size:.5g} Ah",
            source=_FACTORS,
        ),
    )
    return Working(
        calculation="battery",
        inputs=_inputs(bank, profile, None),
        steps=steps,
        result=result,
        checks=checks,
        caution=CAUTION,
    )


def _need_steps(bank: Bank, profile: Sequence[Stretch], uncorrected_ah: float) -> list[Step]:
    """How the uncorrected capacity follows: a division, or the proof of what was found (rate effect)."""
    if bank.exponent == 1:
        watt_hours = sum(one.watts * one.hours for one in profile)
        text = (
            f"{watt_hours:.5g} Wh / ({bank.efficiency:g} * {bank.volts:g} V * depth {bank.depth:g}) = "
            f"{uncorrected_ah:.5g} Ah"
        )
        return [Step(text=text, source=_ENERGY)]
    parts = [one.hours / _empty_h(bank, uncorrected_ah, one.watts) for one in profile]
    total = " + ".join(f"{part:.4g}" for part in parts)
    return [
        Step(text=f"found by halving, and proved so: C = {uncorrected_ah:.5g} Ah"),
        *_profile_steps(bank, profile, uncorrected_ah),
        Step(
            text=f"parts of the charge used: {total} = {sum(parts):.4g}, the depth allowed is {bank.depth:g}"
        ),
    ]


def _bank_steps(bank: Bank) -> list[Step]:
    cold = cold_factor(bank.temperature_c)
    steps = [
        Step(
            text=f"{bank.capacity_ah:g} Ah * health {bank.health:g} / cold factor {cold:.4g} = "
            f"{available_ah(bank):.5g} Ah",
            source=_COLD,
        ),
        Step(text=f"{bank.depth:.0%} of it may be used; {bank.efficiency:.0%} of that reaches the load"),
    ]
    if bank.temperature_c > 25:
        life = life_factor(bank.temperature_c)
        steps.append(
            Step(
                text=f"kept at {bank.temperature_c:g} °C it lives {life:.3g} of its design life",
                source="IEEE 1188 (from memory)",
            )
        )
    return steps


def _profile_steps(bank: Bank, profile: Sequence[Stretch], capacity: float) -> list[Step]:
    steps = []
    for one in profile:
        current = one.watts / (bank.volts * bank.efficiency)
        empty = _empty_h(bank, capacity, one.watts)
        slow = current * bank.hours <= capacity
        how = (
            "C / I"
            if slow or bank.exponent == 1
            else f"{bank.hours:g} h * (C / (I * {bank.hours:g} h))^{bank.exponent:g}"
        )
        lasting = "until the end" if math.isinf(one.hours) else f"for {one.hours * 60:g} min"
        steps.append(
            Step(
                text=f"{one.watts:g} W {lasting}: I = {one.watts:g} / ({bank.volts:g} * {bank.efficiency:g})"
                f" = {current:.4g} A, which alone empties the bank in {how} = {empty * 60:.5g} min",
                source=_ENERGY if how == "C / I" else _RATE,
            )
        )
    return steps


def _inputs(
    bank: Bank, profile: Sequence[Stretch], wanted_h: float | None
) -> tuple[tuple[str, Amount | str | int], ...]:
    loads = ", ".join(
        f"{s.watts:g} W" + ("" if math.isinf(s.hours) else f" for {s.hours * 60:g} min") for s in profile
    )
    wanted = () if wanted_h is None else (("wanted", Amount(value=wanted_h * 60, unit="min")),)
    capacity = (("capacity", Amount(value=bank.capacity_ah, unit="Ah")),) if bank.capacity_ah else ()
    return (
        ("voltage", Amount(value=bank.volts, unit="V")),
        *capacity,
        ("hour_rate", Amount(value=bank.hours, unit="h")),
        ("rate_exponent", f"{bank.exponent:g}"),
        ("depth", f"{bank.depth:g}"),
        ("efficiency", f"{bank.efficiency:g}"),
        ("health", f"{bank.health:g}"),
        ("temperature", Amount(value=bank.temperature_c, unit="°C")),
        ("loads", loads),
        *wanted,
    )
