"""Measured values against the desk: the limits that must hold, and what the drawing lets expect.

A value that breaks a limit fails. One that keeps it, but is worse than the calculation's own worst case, is a
review: what was built is not what was drawn. A length is calculated again as measured.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from probe.desk.from_map import (
    autonomy_working,
    bus_working,
    channel_working,
    copper_working,
    feeder_of,
    fibre_working,
)
from probe.desk.insulation import insulation, limits
from probe.desk.working import Amount, Working
from probe.judge.limit import Interval, around, within
from probe.model.amount_text import read_amount
from probe.model.cable_data import Channel, FibreLink, SerialBus
from probe.model.cable_power import Bank, Feeder
from probe.model.cabling import Named
from probe.model.checklist import Measure, Quantity
from probe.model.device_map import DeviceMap
from probe.model.finding import Verdict

#: How far a wire that is as drawn may be from a drawn length without a spread: common practice, no source.
_ROUTING_M, _ROUTING_SHARE = 0.5, 0.05
#: Beyond it nothing at the gear is meant; it keeps the arithmetic from overflow.
_MOST = 1e9


class Judged(NamedTuple):
    """A measured value held against the desk. expected: what was compared with; advice: for people."""

    verdict: Verdict
    expected: str
    rule: str
    advice: str = ""


def value_of(measure: Measure, text: str) -> Amount | None:
    """The value that was typed, in the quantity's first unit; None if it is none, or none in reason.

    Without a spread it is as good as half a step of its last digit.
    """
    read = read_amount(text)
    if read is None or abs(read.number) > _MOST or (read.spread or 0.0) > _MOST:
        return None
    factors = {unit.casefold(): factor for unit, factor in measure.units.items()}
    factor = factors.get(read.unit.casefold())
    if factor is None:
        return None
    spread = read.last_digit / 2 if read.spread is None else read.spread
    unit = next(iter(measure.units))
    seen = Amount(value=read.number * factor, unit=unit, plus_minus=spread * factor)
    return None if measure.quantity is Quantity.LENGTH and seen.low <= 0 else seen


def judge_value(measure: Measure, name: str, seen: Amount, drawn: DeviceMap) -> Judged:
    """What the desk says to a value measured of the cable or battery of this name."""
    entry = drawn.cabling.by_name[name]
    return _JUDGES[measure.quantity](measure, entry, seen, drawn)


def _interval(seen: Amount) -> Interval:
    return around(seen.value, seen.plus_minus)


def _voltage(measure: Measure, entry: Named, seen: Amount, drawn: DeviceMap) -> Judged:
    assert isinstance(entry, Feeder)  # a checklist is checked against its map
    feeder = feeder_of(entry, {})
    verdict = within(_interval(seen), feeder.limit_least_v, feeder.limit_most_v)
    expected = f"{feeder.limit_least_v:g} to {feeder.limit_most_v:g}"
    worst = _least(copper_working(entry), f"voltage at {measure.at}")
    if worst is not None:
        expected += f"; calculated at worst {worst:.4g}"
    if verdict is Verdict.PASS and worst is not None and seen.high < worst:
        return Judged(
            Verdict.REVIEW,
            expected,
            feeder.limit_source,
            "Below the worst case of the calculation: longer or thinner wire, more load, or a bad joint.",
        )
    return Judged(
        verdict, expected, feeder.limit_source, "Measure again with all loads on, at the supply too."
    )


def _least(working: Working, name: str) -> float | None:
    """The low end of a result; None if it is not there or does not exist."""
    found = next((one for one in working.result if one.name == name), None)
    return found.low if found is not None and found.exists else None


def _light(measure: Measure, entry: Named, seen: Amount, drawn: DeviceMap) -> Judged:
    assert isinstance(entry, FibreLink)
    rule = "data of the receiver, as the map gives them"
    if entry.transceivers is None:
        return Judged(Verdict.REVIEW, "no data of the transceivers in the map", rule, "Add them to the map.")
    least, most = entry.transceivers.sensitivity_dbm, entry.transceivers.overload_dbm
    verdict = within(_interval(seen), least, most)
    weakest = _least(fibre_working(entry), "least light received")
    expected = f"{least:g} to {most:g}; calculated at least {weakest:.4g}"
    if verdict is Verdict.PASS and weakest is not None and seen.high < weakest:
        return Judged(
            Verdict.REVIEW,
            expected,
            rule,
            "Weaker than the aged link of the calculation: clean the connectors and look for a tight bend.",
        )
    return Judged(
        verdict,
        expected,
        rule,
        "Too little: clean, look at bends and splices. Too much: an attenuator. Never look into a fibre.",
    )


def _loss(measure: Measure, entry: Named, seen: Amount, drawn: DeviceMap) -> Judged:
    assert isinstance(entry, FibreLink)
    working = fibre_working(entry)
    allowed = working.result[0].high
    return Judged(
        within(_interval(seen), 0.0, allowed),
        f"at most {allowed:.4g}, as calculated from length, connections and splices",
        "TIA-568, loss of the parts of a link (from memory)",
        "Clean the connectors, measure again from both ends, look for a tight bend. Below nothing: the "
        "reference of the measurement was wrong.",
    )


def _insulation(measure: Measure, entry: Named, seen: Amount, drawn: DeviceMap) -> Judged:
    assert isinstance(entry, Feeder)
    test_v, least = limits(entry.supply_v)
    check = insulation(entry.supply_v, seen).checks[0]
    return Judged(
        check.verdict,
        f"at least {least:g} with {test_v:g} V DC",
        check.source,
        "Part the circuit until the place is found; dry and clean it. Electronics must be disconnected.",
    )


def _autonomy(measure: Measure, entry: Named, seen: Amount, drawn: DeviceMap) -> Judged:
    assert isinstance(entry, Bank)
    predicted = autonomy_working(entry).result[0]
    calculated = f"calculated {predicted.low:.4g} to {predicted.high:.4g}"
    rule, verdict = "common practice, no source (20 percent of the calculation)", Verdict.PASS
    if entry.wanted_min is not None:
        rule = "time that the site wants, as the map gives it"
        verdict = within(_interval(seen), entry.wanted_min, None)
        calculated = f"at least {entry.wanted_min:g}; {calculated}"
    if verdict is Verdict.PASS and seen.high < predicted.low:
        return Judged(
            Verdict.REVIEW, calculated, rule, "Shorter than calculated: more load, or a battery that is worn."
        )
    return Judged(
        verdict, calculated, rule, "Fully charged before? Then the battery or its load is not as drawn."
    )


def _length(measure: Measure, entry: Named, seen: Amount, drawn: DeviceMap) -> Judged:
    """Limits calculated again with the measured length; a length that is not as drawn is a review."""
    again, drawn_m = _again(measure, entry, seen, drawn)
    failed = again.closest
    words = f"drawn {drawn_m}; calculated again: "
    if failed is None:
        return Judged(Verdict.REVIEW, f"{words}no limit known", "the map", "Give the map a limit for it.")
    told = f"{words}{failed.outcome.name} {failed.outcome.value:.4g} {failed.outcome.unit}"
    verdict = again.verdict
    if verdict is Verdict.PASS and within(_interval(seen), drawn_m.low, drawn_m.high) is not Verdict.PASS:
        return Judged(
            Verdict.REVIEW,
            told,
            failed.source,
            "It keeps its limits, but is not as drawn: correct the drawing.",
        )
    return Judged(verdict, told, failed.source, "Another route or another cable; see buswitness desk all.")


def _again(measure: Measure, entry: Named, seen: Amount, drawn: DeviceMap) -> tuple[Working, Amount]:
    """The calculation with the measured length, and the length of the drawing."""
    if isinstance(entry, FibreLink):
        return fibre_working(entry, seen), _metres(entry.length_m, entry.length_plus_minus_m)
    if isinstance(entry, Channel):
        return channel_working(entry, seen), _metres(entry.fixed_m, entry.fixed_plus_minus_m)
    if isinstance(entry, SerialBus):
        length = entry.length_m if entry.length_m is not None else seen.value
        return bus_working(entry, drawn, seen), _metres(length, entry.length_plus_minus_m)
    assert isinstance(entry, Feeder)
    load = next(load for load in entry.loads if load.name == measure.at)
    return (
        copper_working(entry, {load.name: seen}),
        _metres(load.distance_m, load.distance_plus_minus_m),
    )


def _metres(value: float, spread: float) -> Amount:
    """The drawn length; where the map says nothing of its spread, what routing makes of any drawing."""
    return Amount(value=value, unit="m", plus_minus=spread or max(_ROUTING_M, _ROUTING_SHARE * value))


_JUDGES: dict[Quantity, Callable[[Measure, Named, Amount, DeviceMap], Judged]] = {
    Quantity.VOLTAGE: _voltage,
    Quantity.LIGHT: _light,
    Quantity.LOSS: _loss,
    Quantity.INSULATION: _insulation,
    Quantity.AUTONOMY: _autonomy,
    Quantity.LENGTH: _length,
}
