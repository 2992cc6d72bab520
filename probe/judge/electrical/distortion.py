"""Is the distortion (THD) one that there can be, and does the power factor leave room for it.

true power factor  <=  1 / sqrt(1 + THDi2)            sinusoidal voltage
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import sqrt

from probe.judge.check import VALUES, DeviceCheck
from probe.judge.context import DeviceContext
from probe.judge.electrical.apparent import classes
from probe.judge.electrical.grounds import has, live, under_load
from probe.judge.electrical.quantities import PAIRS, PHASES
from probe.judge.electrical.snapshot import Measured, Snapshot
from probe.judge.electrical.trial import Trial, graded, settled, trial
from probe.model.finding import Finding

_NAMES = ("", "total", "average", *PHASES, *PAIRS)
#: Voltage distortion: above the first limit the network is bad, above the second it is no measurement.
#: Sources: EN 50160 (8 %, from memory); 30 %: common practice, no source.
VOLTAGE_LIMITS = (8.0, 30.0)
#: Current distortion of a loaded circuit; common practice, no source.
CURRENT_LIMITS = (60.0, 200.0)


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = live(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    trials = list(_voltage_trials(taken))
    loaded, why = under_load(context)
    if loaded is not None:
        trials += _current_trials(loaded)
    elif not trials and why:
        return [check.untested(context.tag, why)]
    return settled(check, context.tag, trials, "Distortion is plausible")


def _voltage_trials(taken: Snapshot) -> Iterator[Trial]:
    for one in _shown(taken, "distortion_voltage"):
        yield graded(
            one.point,
            one.value,
            one.unclassed,
            VOLTAGE_LIMITS,
            title="Voltage distortion is higher than it may be",
            advice="Above 30 % it is no measurement of a live bus: look at scale and address in the profile. "
            "Below, compare with the other devices of this bus, and look for large converters or a capacitor "
            "bank in resonance.",
            unit="%",
            by=(one,),
        )


def _current_trials(taken: Snapshot) -> Iterator[Trial]:
    for one in _shown(taken, "distortion_current"):
        yield graded(
            one.point,
            one.value,
            one.unclassed,
            CURRENT_LIMITS,
            title="Current distortion is higher than a loaded circuit has",
            advice="Look at scale and address in the profile first; then whether the load is one of "
            "converters "
            "without chokes.",
            unit="%",
            by=(one,),
        )
    for phase in (*PHASES, "total"):
        yield from _room(taken, phase)


def _room(taken: Snapshot, phase: str) -> Iterator[Trial]:
    """The power factor against the most that the distortion of its current leaves."""
    shown, factor = taken.get("distortion_current", phase), taken.get("power_factor", phase)
    if shown is None or factor is None or shown.value < 0:
        return
    yield trial(
        factor.point,
        abs(factor.value),
        factor.unclassed,
        (None, 1 / sqrt(1 + (shown.value / 100) ** 2) + classes((factor,))),
        title="The power factor is higher than the distortion allows",
        advice="Either the distortion is read with a wrong scale or address, or the power factor shown is "
        "that of "
        "the fundamental alone: look it up in the device's manual.",
        decimals=3,
        soft=True,
        told=f"distortion {shown.value:.1f} %",
        by=(factor, shown),
    )


def _shown(taken: Snapshot, quantity: str) -> list[Measured]:
    return [one for name in _NAMES if (one := taken.get(quantity, name))]


CHECK = DeviceCheck(
    id="electrical.distortion",
    title="Distortion is plausible",
    needs=VALUES,
    why="Distortion heats neutrals and transformers; and a distortion that cannot be is the visible part "
    "of a wrong "
    "scale or address.",
    source="EN 50160 (voltage, 8 %; from memory); IEEE 1459 (power factor with distortion; from memory); "
    "other "
    "limits: common practice, no source",
    since="0.1",
    danger=3,
    where="devices that show a distortion of voltage or current",
    run=_run,
    applies=has(
        *(((quantity, name),) for quantity in ("distortion_voltage", "distortion_current") for name in _NAMES)
    ),
    required=lambda subject: False,
)
