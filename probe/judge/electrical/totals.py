"""Do totals and means fit their phases, and demands load and rating."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import hypot
from typing import NamedTuple

from probe.judge.check import VALUES, DeviceCheck
from probe.judge.context import DeviceContext
from probe.judge.electrical.apparent import classes, left_open
from probe.judge.electrical.grounds import also_single, has_under_load, under_load
from probe.judge.electrical.quantities import PAIRS, PHASES, Key
from probe.judge.electrical.snapshot import Snapshot
from probe.judge.electrical.trial import Trial, roomy, settled, trial
from probe.model.finding import Finding


def _totals(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = under_load(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    return settled(check, context.tag, list(_total_trials(taken)), "Totals fit their phases")


class Sum(NamedTuple):
    """A quantity whose total or average is held against its phases. share: 1 for a sum, a third for a "
    "mean."""

    quantity: str
    phase: str
    names: tuple[str, ...]
    share: float
    title: str


_SUMS = (
    Sum("power_active", "total", PHASES, 1, "Active power"),
    Sum("power_reactive", "total", PHASES, 1, "Reactive power"),
    Sum("power_apparent", "total", PHASES, 1, "Apparent power"),
    Sum("current", "total", PHASES, 1, "Current"),
    Sum("current", "average", PHASES, 1 / 3, "Mean current"),
    Sum("voltage_phase", "average", PHASES, 1 / 3, "Mean phase voltage"),
    Sum("voltage_line", "average", PAIRS, 1 / 3, "Mean line voltage"),
)

#: In a system of one phase the total and the mean are the phase itself.
_OF_ONE_PHASE = tuple(
    one._replace(names=("a",), share=1.0) for one in _SUMS if one.quantity != "voltage_line"
)


def _total_trials(taken: Snapshot) -> Iterator[Trial]:
    for one in _SUMS if taken.frame.phases == 3 else _OF_ONE_PHASE:
        total = taken.get(one.quantity, one.phase)
        parts = [part for name in one.names if (part := taken.get(one.quantity, name))]
        if total is None or len(parts) != len(one.names):
            continue
        due = one.share * sum(part.value for part in parts)
        low, high = _vector_or_sum(taken, one, due)
        left = hypot(total.unclassed, one.share * left_open(parts))
        spare = roomy(classes((total,)) + one.share * classes(parts), left)
        yield trial(
            total.point,
            total.value,
            left,
            (low - spare, high + spare),
            title=f"{one.title}: the {one.phase} does not fit its phases",
            advice="The total and one of the phases are read with different scales, or from wrong addresses: "
            "compare these points of the profile with the device's register list.",
            unit=total.unit,
            told=f"phases give {due:.1f}",
            by=(total, *parts),
        )


def _vector_or_sum(taken: Snapshot, one: Sum, due: float) -> tuple[float, float]:
    """Limits of a total: exactly the sum, but an apparent power may be the vector one."""
    active, reactive = taken.get("power_active", "total"), taken.get("power_reactive", "total")
    arithmetic = taken.frame.conventions.apparent_power == "arithmetic"
    if one.quantity != "power_apparent" or arithmetic or active is None or reactive is None:
        return due, due
    vector = hypot(active.value, reactive.value)
    return min(vector, due), due


def _demand(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = under_load(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    if not taken.frame.rating_a:
        return [check.untested(context.tag, "no rating is known, neither from the map nor from the device")]
    most = taken.frame.phases * taken.frame.phase_v * taken.frame.rating_a
    return settled(check, context.tag, list(_demand_trials(taken, most)), "Demand fits rating and load")


#: A demand against the power of this instant: beyond this factor a scale is off; common practice, no source.
DEMAND_FACTOR = 20.0


def _demand_trials(taken: Snapshot, most: float) -> Iterator[Trial]:
    for kind in ("active", "reactive", "apparent"):
        demand, now = taken.get(f"demand_{kind}", "total"), taken.get(f"power_{kind}", "total")
        if demand is None:
            continue
        size = abs(now.value) if now else most
        yield trial(
            demand.point,
            abs(demand.value),
            demand.half_width,
            (None, min(1.2 * most, DEMAND_FACTOR * max(size, 0.01 * most))),
            title=f"Demand of {kind} power is beyond load and rating",
            advice="Look at unit and scale of the demand in the profile, and at whether it is the largest "
            "demand since a reset.",
            unit=demand.unit,
            decimals=0,
            soft=True,
            told=f"now {size:.0f}" if now else "",
            by=(demand,),
        )


def _keys(quantity: str, names: Iterable[str]) -> tuple[Key, ...]:
    return tuple((quantity, name) for name in names)


CHECK = DeviceCheck(
    id="electrical.totals",
    title="Totals fit their phases",
    needs=VALUES,
    why="A total that is not the sum of its phases is read from a wrong register, or a phase is.",
    source="IEEE 1459 (totals; apparent power arithmetic or vector; from memory); tolerance: accuracy class",
    since="0.1",
    danger=4,
    where="devices that show a total or mean beside its three phases, where current may flow",
    run=_totals,
    applies=also_single(
        has_under_load(*((*_keys(s.quantity, s.names), (s.quantity, s.phase)) for s in _SUMS)),
        has_under_load(*((*_keys(s.quantity, s.names), (s.quantity, s.phase)) for s in _OF_ONE_PHASE)),
    ),
    required=lambda subject: False,
)
DEMAND = DeviceCheck(
    id="electrical.demand",
    title="Demand fits rating and load",
    needs=VALUES,
    why="A demand in the wrong unit decides on contracts and on load shedding.",
    source="common practice, no source (a mean cannot be far beyond load and rating)",
    since="0.1",
    danger=3,
    where="devices that show a demand, where current may flow",
    run=_demand,
    applies=has_under_load(*((("demand_" + kind, "total"),) for kind in ("active", "reactive", "apparent"))),
    required=lambda subject: False,
)
