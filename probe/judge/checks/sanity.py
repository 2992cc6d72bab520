"""Are the registers' values ones that a device of this type can show at all.

Four checks share one walk over the replies: values that are there, that lie in their plausible range, that
are one of the listed states, and numbers that betray a wrong byte order.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from probe.judge.blocks import is_float
from probe.judge.check import STANDING_VALUES, VALUES, DeviceCheck
from probe.judge.checks.reply import seen_points
from probe.judge.context import DeviceContext
from probe.judge.limit import exactly, within
from probe.judge.proof import better_order
from probe.judge.supply import is_dead
from probe.judge.traits import FloatPlaces, traits_of
from probe.judge.wording import count, number, value_text
from probe.model.block import Decoded, in_range
from probe.model.finding import Finding, Verdict
from probe.model.profile import Point
from probe.model.reading import Quality, Value

#: Below this no current is said to flow; common practice, no source.
NO_CURRENT_A = 1.0
#: Numbers beyond these are no measurement of anything in a switchgear: a wrong byte order makes them.
#: Source: IEEE 754 encodings of 480.0 read in other orders; the bounds are common practice, no source.
HUGE, TINY = 1e12, 1e-30


class Oddity(NamedTuple):
    """One point that was not plainly healthy in one reply."""

    point: Point
    value: Value
    quality: Quality
    raw: bytes
    sequence: int


def oddities(context: DeviceContext) -> dict[str, list[Oddity]]:
    """Points with a value that is not plainly healthy, by name; made once for the four checks.

    The hot path of judging: a healthy block costs one look. Whether floats are absurdly small is looked at
    in the first block of each shape only: a byte order does not change while a device is watched.
    """
    known: dict[str, list[Oddity]] | None = context.memory.get("oddities")
    if known is None:
        known = {}
        shape_of, looked_at = context.traits.shapes.of, set()
        for sequence, _, function, start, size, data in context.blocks:
            key = function, start, size
            decoder, floats = shape_of(key)
            if not decoder.all_good_and_in_range(data):
                _collect(decoder.decode(data), sequence, known)
            elif floats and key not in looked_at:
                looked_at.add(key)
                _collect_absurd(floats, data, sequence, known)
        context.memory["oddities"] = known
    return known


def _collect_absurd(floats: FloatPlaces, data: bytes, sequence: int, known: dict[str, list[Oddity]]) -> None:
    """Floats that are no measurement, of a block that is healthy otherwise (so all are numbers)."""
    for point, first, end in floats:
        value, quality = point.decoder.decode(data[first:end])
        if is_absurd(point, value):
            known.setdefault(point.name, []).append(Oddity(point, value, quality, data[first:end], sequence))


def _collect(decoded: Iterable[Decoded], sequence: int, known: dict[str, list[Oddity]]) -> None:
    for point, raw, value, quality in decoded:
        if quality is not Quality.GOOD or is_absurd(point, value) or not in_range(point, value):
            known.setdefault(point.name, []).append(Oddity(point, value, quality, raw, sequence))


def is_absurd(point: Point, value: Value) -> bool:
    """True for a float that is no measurement of anything: a subnormal, or astronomically large."""
    return isinstance(value, float) and value != 0 and not TINY <= abs(value) <= HUGE and is_float(point)


def _available(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    seen = len(seen_points(context))
    excused = _excused(context)
    poor = {
        n: o
        for n, odds in oddities(context).items()
        if (o := [x for x in odds if x.quality is not Quality.GOOD and x.point.quantity not in excused])
    }
    for odds in poor.values():
        yield _poor(check, context, odds)
    if seen and not poor:
        yield check.find(
            context.tag, Verdict.PASS, f"All {count(seen, 'value')} available", observed=f"{seen}"
        )


#: Quantities that do not exist without voltage, and without current.
NEED_VOLTAGE = frozenset({"frequency", "unbalance", "distortion", "angle", "power_factor"})
NEED_CURRENT = frozenset({"unbalance", "distortion", "angle", "power_factor"})


def _excused(context: DeviceContext) -> frozenset[str]:
    """Quantities that are rightly not available: the circuit is dead, or no current flows."""
    if not oddities(context):
        return frozenset()
    if is_dead(context):
        return NEED_VOLTAGE
    currents = [
        abs(float(reading.value))
        for point in traits_of(context.profile).currents
        if (reading := context.latest(point.name))
    ]
    return NEED_CURRENT if currents and max(currents) < NO_CURRENT_A else frozenset()


def _poor(check: DeviceCheck, context: DeviceContext, odds: list[Oddity]) -> Finding:
    odd = odds[-1]
    expected_state = odd.quality is Quality.NOT_AVAILABLE
    return check.find(
        context.tag,
        Verdict.REVIEW if expected_state else Verdict.FAIL,
        f"{odd.point.title}: {odd.quality.value}",
        observed=f"{odd.quality.value} (registers {odd.raw.hex(' ').upper()})",
        expected="a value",
        unit=odd.point.unit,
        point=odd.point.name,
        evidence=_sequences(odds),
        advice="The device says itself that it has no value here: an option that is not fitted, a sensor "
        "that "
        "is not wired, or a quantity that needs current to exist. See whether the drawings show it."
        if expected_state
        else "These bytes are no value of this type: compare type, address and byte order in the profile "
        "with "
        "the device's register list.",
    )


def _sequences(odds: list[Oddity]) -> tuple[int, ...]:
    return tuple(dict.fromkeys(odd.sequence for odd in odds))[:8]


def _range(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    outside = {}
    for name, odds in oddities(context).items():
        mine = [
            o
            for o in odds
            if o.quality is Quality.GOOD and not o.point.values and not is_absurd(o.point, o.value)
        ]
        if mine:
            outside[name] = mine
    for odds in outside.values():
        yield _outside(check, context, odds)
    if not outside and seen_points(context):
        yield check.find(
            context.tag, Verdict.PASS, "All values in their plausible range", observed="none outside"
        )


def _outside(check: DeviceCheck, context: DeviceContext, odds: list[Oddity]) -> Finding:
    odd, point = odds[-1], odds[-1].point
    verdict = within(exactly(float(odd.value)), point.low, point.high)
    order = better_order(point, odd.raw)
    return check.find(
        context.tag,
        verdict,
        f"{point.title}: a value that cannot be",
        observed=value_text(point, odd.value),
        expected=_limits(point),
        unit=point.unit,
        point=point.name,
        evidence=_sequences(odds),
        advice=f"It would be plausible in byte order {order}: compare the profile's order with the device's "
        "register list."
        if order
        else "Look at scale, sign and address in the profile, and at the instrument transformers' ratio in "
        "the "
        "device. Do not trust the neighbouring values until this is understood.",
    )


def _limits(point: Point) -> str:
    low = None if point.low is None else number(point.low, point.decimals)
    high = None if point.high is None else number(point.high, point.decimals)
    if low is None:
        return f"at most {high}"
    return f"at least {low}" if high is None else f"{low} to {high}"


def _state(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    strange = {}
    for name, odds in oddities(context).items():
        mine = [o for o in odds if o.quality is Quality.GOOD and o.point.values]
        if mine:
            strange[name] = mine
    for odds in strange.values():
        point = odds[-1].point
        yield check.find(
            context.tag,
            Verdict.FAIL,
            f"{point.title}: a state that is in no list",
            observed=f"{odds[-1].value}",
            expected="one of " + ", ".join(f"{raw} {name}" for raw, name in list(point.values.items())[:6]),
            point=point.name,
            evidence=_sequences(odds),
            advice="The firmware knows a state that the profile does not, or the address is wrong: look it "
            "up in "
            "the register list of this firmware.",
        )
    if not strange and seen_points(context):
        yield check.find(context.tag, Verdict.PASS, "All states are listed ones", observed="none else")


def _order(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    absurd = {
        n: o
        for n, odds in oddities(context).items()
        if (o := [x for x in odds if x.quality is Quality.GOOD and is_absurd(x.point, x.value)])
    }
    for odds in absurd.values():
        odd = odds[-1]
        order = better_order(odd.point, odd.raw)
        yield check.find(
            context.tag,
            Verdict.FAIL,
            f"{odd.point.title}: no measurement, but a wrong byte order",
            observed=number(float(odd.value), 3),
            expected=_limits(odd.point) if odd.point.high is not None else "a size that things have",
            unit=odd.point.unit,
            point=odd.point.name,
            evidence=_sequences(odds),
            advice=f"In byte order {order} it would be plausible; the profile says {odd.point.order}."
            if order
            else f"The profile says byte order {odd.point.order}: compare it with the device's register "
            "list.",
        )
    if not absurd and seen_points(context):
        yield check.find(context.tag, Verdict.PASS, "No sign of a wrong byte order", observed="none")


AVAILABLE = DeviceCheck(
    id="values.available",
    title="Values are available",
    needs=STANDING_VALUES,
    why="A code that means no value, shown as a number, has been taken for a dead bus that was live.",
    source="SunSpec Device Information Models (not-implemented values); IEEE 754 (NaN, from memory)",
    since="0.1",
    danger=4,
    where="every device with points",
    run=_available,
    applies=lambda subject: bool(subject.profile.points),
)
RANGE = DeviceCheck(
    id="values.range",
    title="Values in their plausible range",
    needs=VALUES,
    why="A value that cannot be is the visible part of a wrong scale, sign or address; its neighbours are "
    "wrong "
    "in a way that nobody sees.",
    source="plausible ranges: profile; common practice, no source",
    since="0.1",
    danger=5,
    where="devices whose profile gives ranges",
    run=_range,
    applies=lambda subject: traits_of(subject.profile).has_range,
)
STATE = DeviceCheck(
    id="values.state",
    title="States are listed ones",
    needs=STANDING_VALUES,
    why="A breaker position or trip cause that the list does not hold is shown as nothing or as the wrong "
    "thing.",
    source="lists of states: profile",
    since="0.1",
    danger=5,
    where="devices whose profile has points with listed states",
    run=_state,
    applies=lambda subject: traits_of(subject.profile).has_states,
)
ORDER = DeviceCheck(
    id="values.byte_order",
    title="No sign of a wrong byte order",
    needs=STANDING_VALUES,
    why="Floating-point values in the wrong order read as nearly zero or astronomically large; a voltage "
    "that "
    "reads as zero on a live bus kills.",
    source="MODBUS Application Protocol Specification V1.1b3, 4.2 (order is defined inside one register "
    "only); "
    "IEEE 754 encodings (from memory)",
    since="0.1",
    danger=8,
    where="devices whose profile has floating-point points",
    run=_order,
    applies=lambda subject: bool(traits_of(subject.profile).floats),
)
