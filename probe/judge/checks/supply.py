"""Is the circuit live or dead as the map says, and do voltage and frequency fit the nominal system."""

from __future__ import annotations

from collections.abc import Iterable
from math import sqrt

from probe.judge.check import VALUES, DeviceCheck, Subject
from probe.judge.context import DeviceContext
from probe.judge.limit import Interval, around, within
from probe.judge.supply import is_dead
from probe.judge.traits import traits_of
from probe.judge.wording import AT_THE_GEAR, number, some
from probe.model.device_map import DeviceMap
from probe.model.finding import Finding, Verdict
from probe.model.profile import Point
from probe.model.reading import Reading

_FACTOR = {"V": 1.0, "kV": 1e3, "mV": 1e-3, "Hz": 1.0, "mHz": 1e-3}


def _energized(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    wanted = context.device.state.energized
    limit = context.profile.energized_above
    readings = [r for name in context.profile.energized_points if (r := context.latest(name))]
    if wanted is None or not readings:
        return
    low, high = (limit, None) if wanted else (None, limit)
    judged = [(within(_interval(context.point(r.point), r), low, high), r) for r in readings]
    verdicts = {verdict for verdict, _ in judged}
    verdict = next(v for v in (Verdict.FAIL, Verdict.REVIEW, Verdict.PASS) if v in verdicts)
    shown = [r for v, r in judged if v is verdict]
    yield check.find(
        context.tag,
        verdict,
        _energized_title(verdict, wanted=wanted),
        observed=some([_shown(context.point(r.point), r) for r in shown]),
        expected=f"{'above' if wanted else 'below'} {limit:g}",
        unit=context.point(shown[0].point).unit,
        evidence=tuple(dict.fromkeys(r.sequence for r in shown)),
        danger=5 if wanted else 9,
        advice="" if verdict is Verdict.PASS else _energized_advice(wanted=wanted),
    )


def _energized_title(verdict: Verdict, *, wanted: bool) -> str:
    if verdict is Verdict.PASS:
        return "Live, as the map says" if wanted else "No voltage, as the map says"
    if verdict is Verdict.REVIEW:
        return "Near the limit between live and dead"
    return "No voltage where the map says live" if wanted else "LIVE where the map says dead"


def _energized_advice(*, wanted: bool) -> str:
    if wanted:
        return "Look at the source, the voltage transformers' fuses and the position of the breaker upstream."
    return (
        "Treat it as live. Tell everyone at the gear at once, and find the source (a tie, a generator, a "
        "second "
        f"feed) before any work goes on. {AT_THE_GEAR}"
    )


def _interval(point: Point, reading: Reading) -> Interval:
    """The value with half its last digit as uncertainty: what the display or register can carry."""
    return around(float(reading.value), 0.5 * 10.0**-point.decimals)


def _shown(point: Point, reading: Reading) -> str:
    return f"{point.title} {number(float(reading.value), point.decimals)}"


def nominal_voltage(point: Point, system: DeviceMap) -> float | None:
    """What the point shows at nominal voltage, in its unit; None where the system has no such voltage."""
    factor = _FACTOR.get(point.unit)
    wiring, volts = system.system.wiring, system.system.voltage_v
    if factor is None:
        return None
    if point.quantity == "voltage_line":
        return volts / factor
    if point.quantity == "voltage_phase" and wiring == "wye":
        return volts / sqrt(3) / factor
    return volts / factor if point.quantity == "voltage_phase" and wiring == "single" else None


def _voltage(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    share = context.map.tolerances.voltage_percent / 100
    limits = {
        point.name: (nominal * (1 - share), nominal * (1 + share))
        for point in traits_of(context.profile).voltages
        if (nominal := nominal_voltage(point, context.map)) is not None
    }
    hints = {
        _ratio_hint(float(reading.value), limits[name])
        for name in limits
        if (reading := context.latest(name)) and not is_dead(context)
    }
    context.memory["ratio"] = hints.pop() if len(hints) == 1 else ""
    yield from _held(check, context, limits, "Voltage")


def _frequency(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    nominal, width = context.map.system.frequency_hz, context.map.tolerances.frequency_hz
    limits = {
        point.name: ((nominal - width) / factor, (nominal + width) / factor)
        for point in traits_of(context.profile).frequencies
        if (factor := _FACTOR.get(point.unit))
    }
    yield from _held(check, context, limits, "Frequency")


def _held(
    check: DeviceCheck, context: DeviceContext, limits: dict[str, tuple[float, float]], what: str
) -> Iterable[Finding]:
    """Each named point against its limits; one pass for all."""
    readings = {name: r for name in limits if (r := context.latest(name))}
    if readings and is_dead(context):
        yield check.untested(context.tag, "the circuit is dead, so there is nothing to compare")
        return
    bad = []
    for name, reading in readings.items():
        point = context.point(name)
        verdict = within(_interval(point, reading), *limits[name])
        if verdict is not Verdict.PASS:
            bad.append(_off(check, context, point, reading, verdict, limits[name]))
    yield from bad
    if readings and not bad:
        yield check.find(
            context.tag,
            Verdict.PASS,
            f"{what} as the system's",
            observed=some([_shown(context.point(n), r) for n, r in readings.items()], 3),
            expected=_range(context.point(next(iter(readings))), limits[next(iter(readings))]),
            unit=context.point(next(iter(readings))).unit,
        )


def _off(
    check: DeviceCheck,
    context: DeviceContext,
    point: Point,
    reading: Reading,
    verdict: Verdict,
    limits: tuple[float, float],
) -> Finding:
    hint = _ratio_hint(float(reading.value), limits)
    return check.find(
        context.tag,
        verdict,
        f"{point.title} is not the system's",
        observed=number(float(reading.value), point.decimals),
        expected=_range(point, limits),
        unit=point.unit,
        uncertainty=number(0.5 * 10.0**-point.decimals, point.decimals + 1),
        point=point.name,
        evidence=(reading.sequence,),
        advice=(hint and f"It is off by {hint}.")
        or "Compare with the other devices of the same bus: if they agree, the system is off; if not, look "
        "at this "
        "device's transformer ratio, fuses and wiring.",
    )


def _ratio_hint(value: float, limits: tuple[float, float]) -> str:
    """A factor between value and nominal that tells the mistake; empty if none does."""
    if limits[0] <= value <= limits[1]:
        return ""
    for factor, words in (
        (
            sqrt(3),
            "a factor of 1.73: line and phase voltage are taken for each other, or the wiring is set wrong",
        ),
        (10.0, "a factor of 10: the scale in the profile is wrong"),
        (100.0, "a factor of 100: the scale in the profile is wrong"),
        (1000.0, "a factor of 1000: volts are taken for kilovolts or the reverse"),
    ):
        if limits[0] <= value * factor <= limits[1] or limits[0] <= value / factor <= limits[1]:
            return words
    return ""


def _range(point: Point, limits: tuple[float, float]) -> str:
    decimals = max(point.decimals, 1 if limits[1] < 100 else 0)
    return f"{number(limits[0], decimals)} to {number(limits[1], decimals)}"


def _has_voltage(subject: Subject) -> bool:
    if subject.device.state.energized is False:
        return False
    return any(
        nominal_voltage(point, subject.lineup.map) is not None
        for point in traits_of(subject.profile).voltages
    )


def _has_frequency(subject: Subject) -> bool:
    if subject.device.state.energized is False:
        return False
    return bool(traits_of(subject.profile).frequencies)


def _is_stated_live(subject: Subject) -> bool:
    return subject.device.state.energized is True


ENERGIZED = DeviceCheck(
    id="supply.energized",
    title="Live or dead as the map says",
    needs=VALUES,
    why="A circuit that is live where everyone believes it dead kills.",
    source="rule: map; limit between live and dead: profile",
    since="0.1",
    danger=9,
    where="devices with voltages for which the map says whether the circuit is live",
    run=_energized,
    applies=lambda subject: (
        subject.device.state.energized is not None and bool(subject.profile.energized_points)
    ),
)
VOLTAGE = DeviceCheck(
    id="supply.voltage",
    title="Voltage as the system's",
    needs=VALUES,
    why="A voltage off by a transformer ratio or by 1.73 makes every power, energy and protection by "
    "voltage wrong.",
    source="common practice, no source (tolerance: map)",
    since="0.1",
    danger=5,
    where="devices with voltages, unless the map says that the circuit is dead",
    run=_voltage,
    applies=_has_voltage,
    required=_is_stated_live,
)
FREQUENCY = DeviceCheck(
    id="supply.frequency",
    title="Frequency as the system's",
    needs=VALUES,
    why="A frequency that is not the system's shows a wrong scale or an island that nobody knows of.",
    source="common practice, no source (tolerance: map)",
    since="0.1",
    danger=4,
    where="devices with a frequency, unless the map says that the circuit is dead",
    run=_frequency,
    applies=_has_frequency,
    required=_is_stated_live,
)
