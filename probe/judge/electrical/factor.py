"""Does the power factor fit the powers: in size always, in sign only by the profile's own convention.

Makers write the sign of the active power, or of the reactive power (lead and lag), or none; without a word in
the profile no sign is compared. In size it may be P over any apparent power that makers use.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import hypot

from probe.judge.check import VALUES, DeviceCheck
from probe.judge.context import DeviceContext
from probe.judge.electrical.apparent import apparent_from, is_small
from probe.judge.electrical.grounds import has_under_load, under_load
from probe.judge.electrical.quantities import PHASES
from probe.judge.electrical.snapshot import Measured, Snapshot
from probe.judge.electrical.trial import Trial, roomy, settled, trial
from probe.model.finding import Finding

#: Least share of the fundamental in an apparent power, distortion of 48 %. Common practice, no source.
LEAST_FUNDAMENTAL = 0.9
_NAMES = {"a": "phase A", "b": "phase B", "c": "phase C", "total": "all phases"}


def _factor(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = under_load(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    trials = [one for phase in (*PHASES, "total", "average") for one in _factor_trials(taken, phase)]
    return settled(check, context.tag, trials, "Power factor fits the powers")


def _factor_trials(taken: Snapshot, phase: str) -> Iterator[Trial]:
    factor, of = taken.get("power_factor", phase), "total" if phase == "average" else phase
    active = taken.get("power_active", of)
    sizes = _sizes(taken, of)
    if factor is None or active is None or not sizes or is_small(taken, max(sizes), of):
        return
    ratios = [abs(active.value) / size for size in sizes]
    # Of one instrument, so that its errors of P and of S are largely the same.
    spare = factor.half_width - factor.unclassed + (active.half_width - active.unclassed) / max(sizes)
    if phase == "average":
        spare += 0.02  # the mean of three factors is not the factor of the sum; common practice, no source
    left = hypot(factor.unclassed, active.unclassed / max(sizes))
    spare = roomy(spare, left)
    yield trial(
        factor.point,
        abs(factor.value),
        left,
        (max(0.0, min(ratios) - spare), max(ratios) + spare),
        title=f"Power factor of {_NAMES[of]} does not fit the powers",
        advice="Look at its scale, sign and coding in the profile: makers also write it in percent, with "
        "lead "
        "and lag in the sign, or as 2 minus the factor. If those are right, see the check of power against "
        "voltage and current.",
        decimals=3,
        by=(factor, active),
    )
    yield from _sign_trials(taken, of, factor, active)


def _sizes(taken: Snapshot, phase: str) -> list[float]:
    """Every apparent power that a maker may divide by: as shown, vector, from voltage and current."""
    told, due = taken.get("power_apparent", phase), apparent_from(taken, phase)
    active, reactive = taken.get("power_active", phase), taken.get("power_reactive", phase)
    found = [abs(told.value)] if told else []
    found += [due.value] if due else []
    if active and reactive:
        vector = hypot(active.value, reactive.value)
        # Without volts and amperes the part that distortion takes is not known, and makers count it in.
        found += [vector] if found else [vector, vector / LEAST_FUNDAMENTAL]
    return [size for size in found if size > 0]


def _sign_trials(taken: Snapshot, phase: str, factor: Measured, active: Measured) -> Iterator[Trial]:
    """The sign, only where the profile says what it means."""
    convention = taken.frame.conventions.power_factor_sign
    by = taken.get("power_reactive", phase) if convention == "reactive" else active
    if (
        not convention
        or by is None
        or abs(by.value) <= by.half_width
        or abs(factor.value) <= factor.half_width
    ):
        return
    sign = 1.0 if convention == "none" or by.value > 0 else -1.0
    yield trial(
        factor.point,
        sign * factor.value,
        0.0,
        (0.0, None),
        title=f"Power factor of {_NAMES[phase]} has the wrong sign",
        advice=f"The profile says: {_SIGNS[convention]}. Compare with the device's own manual; if the "
        f"profile is "
        "right, active power and power factor come from different measurements.",
        decimals=3,
        by=(factor, by),
    )


_SIGNS = {
    "active": "the sign is that of the active power",
    "reactive": "the sign is that of the reactive power",
    "none": "the factor has no sign",
}


CHECK = DeviceCheck(
    id="electrical.factor",
    title="Power factor fits the powers",
    needs=VALUES,
    why="A power factor of another convention or scale is taken for a penalty that is due, or hides one.",
    source="IEEE 1459 (PF = P / S; from memory); sign: only by the profile's own convention",
    since="0.1",
    danger=3,
    where="devices that show a power factor, active power and what gives the apparent power, where current "
    "may "
    "flow",
    run=_factor,
    applies=has_under_load(
        *(
            (("power_factor", p), ("power_active", p if p in PHASES else "total"))
            for p in (*PHASES, "total", "average")
        )
    ),
    required=lambda subject: False,
)
