"""Does the energy counter count what power flows while the device is watched.

    counted = last reading - first reading        flowed = area under the power readings (trapezoids)

Left open: two steps of the counter, the time between power and energy readings, and how far the power strays
between two readings of it (half of each change, as independent errors).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import hypot
from typing import NamedTuple

from probe.judge.check import VALUES, DeviceCheck, Need, Subject
from probe.judge.context import DeviceContext
from probe.judge.electrical.grounds import DEAD, has_under_load, no_load
from probe.judge.electrical.quantities import Electrical
from probe.judge.electrical.taking import loaded, point_of
from probe.judge.electrical.trial import roomy, settled, trial
from probe.judge.supply import is_dead
from probe.judge.wording import span
from probe.model.finding import Finding
from probe.model.reading import Reading

#: So many steps must be counted before a share of them says anything; common practice, no source.
LEAST_STEPS = 20.0
#: How old the counter may be against the power registers, s; common practice, no source.
LAG_S = 2.0
_POWER, _IMPORT, _EXPORT = (
    ("power_active", "total"),
    ("energy_active_import", "total"),
    ("energy_active_export", "total"),
)


class Flow(NamedTuple):
    """Energy by the power readings, Wh. open: what lies between them."""

    imported: float
    exported: float
    open: float


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken = loaded(context)
    power, energy = point_of(context.profile, _POWER), point_of(context.profile, _IMPORT)
    if taken is None or power is None or energy is None:
        return []
    if is_dead(context):
        return [check.untested(context.tag, DEAD)]
    if not taken.is_loaded:
        return [check.untested(context.tag, no_load(taken))]
    powers, counts = context.good(power.point.name), context.good(energy.point.name)
    if len(powers) < 3 or len(counts) < 2:
        return [check.untested(context.tag, "power and energy were read too seldom to compare them")]
    exports = point_of(context.profile, _EXPORT)
    return _compared(check, context, (power, energy, exports), powers, counts)


def flow_of(power: Electrical, readings: Sequence[Reading], first_ns: int, last_ns: int) -> Flow:
    """The energy between two instants by the power readings; before the first and after the last reading the
    power is taken to stay."""
    times = [(r.sent_ns + r.received_ns) / 2 for r in readings]
    values = [float(r.value) * power.factor for r in readings]
    points = [(float("-inf"), values[0]), *zip(times, values, strict=True), (float("inf"), values[-1])]
    imported = exported = strayed = 0.0
    for (start, one), (end, other) in pairwise(points):
        hours = max(0.0, min(end, last_ns) - max(start, first_ns)) / 3.6e12
        part = hours * (one + other) / 2
        imported, exported = imported + max(part, 0.0), exported + max(-part, 0.0)
        strayed = hypot(strayed, hours * (other - one) / 2)
    return Flow(imported, exported, strayed)


def _compared(
    check: DeviceCheck,
    context: DeviceContext,
    items: tuple[Electrical, Electrical, Electrical | None],
    powers: Sequence[Reading],
    counts: Sequence[Reading],
) -> Iterable[Finding]:
    power, energy, exports = items
    first, last = counts[0], counts[-1]
    flow = flow_of(power, powers, _middle(first), _middle(last))
    due, item, ends = flow.imported, energy, (first, last)
    if flow.exported > flow.imported:
        given = context.good(exports.point.name) if exports else ()
        if exports is None or len(given) < 2:
            return [
                check.untested(context.tag, "power flows out, and no counter of exported energy was read")
            ]
        due, item, ends = flow.exported, exports, (given[0], given[-1])
    step = item.step or 10.0**-item.point.decimals * item.factor
    seconds = (last.received_ns - first.sent_ns) / 1e9
    if due < LEAST_STEPS * step:
        needed = span(LEAST_STEPS * step / due * seconds) if due > 0 else "longer"
        return [
            check.untested(
                context.tag,
                f"the counter moves in steps of {step:g} Wh; at this load it takes {needed} to compare "
                f"(--dwell)",
            )
        ]
    counted = (float(ends[1].value) - float(ends[0].value)) * item.factor
    accuracy = context.profile.accuracy
    lag = due / seconds * (LAG_S + (ends[0].received_ns - ends[0].sent_ns) / 1e9)
    left = hypot(step, flow.open, lag)
    spare = roomy(due * (accuracy.energy_percent + accuracy.power_percent) / 100, left)
    return settled(
        check,
        context.tag,
        [
            trial(
                item.point.name,
                counted,
                left,
                (due - spare, due + spare),
                title="The counter does not count what power flows",
                advice="A plain factor between them: unit or scale of counter or power is wrong in the "
                "profile, or "
                "the device counts at a ratio other than the one that it shows power with. No count at "
                "all: the "
                "energy may be counted in the other direction.",
                unit="Wh",
                decimals=0,
                told=f"in {span(seconds)} power adds up to {due:.0f}",
                size=due,
            )._replace(evidence=(ends[0].sequence, ends[1].sequence))
        ],
        "Energy counts what power flows",
    )


def _middle(reading: Reading) -> int:
    return (reading.sent_ns + reading.received_ns) // 2


def _applies(subject: Subject) -> bool:
    return subject.scope.dwell_s > 0 and not subject.scope.quick and _measures(subject)


_measures = has_under_load((_POWER, _IMPORT))

CHECK = DeviceCheck(
    id="electrical.energy",
    title="Energy counts what power flows",
    needs=(*VALUES, Need.ROUNDS),
    why="Energy is what is billed: a counter with another ratio or unit than the power beside it is found "
    "years "
    "later, in court.",
    source="energy is the integral of power; tolerance: energy and power class of the profile (IEC "
    "62053-21 and "
    "IEC 62053-22; from memory); steps and lag: common practice, no source",
    since="0.1",
    danger=4,
    where="devices that show active power and imported energy, in a run with --dwell",
    run=_run,
    applies=_applies,
    required=lambda subject: False,
)
