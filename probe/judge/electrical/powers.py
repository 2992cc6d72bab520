"""Do the powers of one device fit each other, its voltages and currents, and its power factor.

    P2 + Q2 <= S2                       always; equal without distortion
    vector  sqrt(P2 + Q2)  <=  S  <=  sum of V x I of the phases  arithmetic      either is in use
    |P| <= V x I

Source: IEEE 1459 (definitions, from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from math import hypot

from probe.judge.check import VALUES, DeviceCheck
from probe.judge.context import DeviceContext
from probe.judge.electrical.apparent import Apparent, apparent_from, classes, is_small, left_open
from probe.judge.electrical.grounds import CT_CAUTION, also_single, has_under_load, under_load
from probe.judge.electrical.quantities import PAIRS, PHASES, Key
from probe.judge.electrical.snapshot import Measured, Snapshot
from probe.judge.electrical.trial import Trial, banded, roomy, settled, trial
from probe.model.finding import Finding

#: Least share of sqrt(P2 + Q2) in the apparent power. Distortion of 75 % leaves 0.8 of it, currents at
#: different angles little less; one turned current transformer leaves a third. Common practice, no source.
LEAST_SHARE, DOUBTFUL_SHARE = 0.6, 0.75
#: A phase runs against the others if it carries this share of its apparent power backwards; common practice.
BACKWARDS = 0.3
_NAMES = {"a": "phase A", "b": "phase B", "c": "phase C", "total": "all phases"}
_WIRING = (
    "A third of what it should be: one current transformer is turned round. Nearly nothing: two are "
    "exchanged, "
    "or the voltages are. A plain factor: ratio or scale. Look first at power of each phase. " + CT_CAUTION
)


# -- P, Q and S --------------------------------------------------------------------------------------------


def _triangle(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = under_load(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    trials = [one for phase in (*PHASES, "total") for one in _triangle_trials(taken, phase)]
    return settled(check, context.tag, trials, "Active, reactive and apparent power fit")


def _triangle_trials(taken: Snapshot, phase: str) -> Iterator[Trial]:
    active, reactive = taken.get("power_active", phase), taken.get("power_reactive", phase)
    apparent = taken.get("power_apparent", phase)
    if active is None or apparent is None or is_small(taken, abs(apparent.value), phase):
        return
    title = f"Powers of {_NAMES[phase]} do not fit each other"
    if reactive is not None:
        by = (apparent, active, reactive)
        yield _share(hypot(active.value, reactive.value), _whole(abs(apparent.value), by), title, by)
    else:
        left = left_open((active, apparent))
        yield trial(
            active.point,
            abs(active.value),
            left,
            (None, abs(apparent.value) + roomy(classes((active, apparent)), left)),
            title=title,
            advice=_WIRING,
            unit="W",
            decimals=0,
            by=(active, apparent),
        )


def _whole(value: float, by: tuple[Measured, ...]) -> Apparent:
    return Apparent(value, classes(by), left_open(by), by)


def _share(part: float, whole: Apparent, title: str, by: tuple[Measured, ...]) -> Trial:
    """A power as a share of the apparent one: at most 1; too small is for review, far too small fails.

    whole: its width is the class of both, open what registers and time leave open of both.
    """
    share, left = part / whole.value, whole.open / whole.value
    spare = roomy(whole.width / whole.value, left)
    return banded(
        by[0].point,
        share,
        left,
        (LEAST_SHARE - spare, DOUBTFUL_SHARE - spare, 1 + spare),
        title=title,
        advice=_WIRING,
        decimals=3,
        told=f"{part:.0f} of {whole.value:.0f} VA",
        by=by,
        size=1.0,
    )


# -- against voltage and current ---------------------------------------------------------------------------


def _power(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = under_load(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    trials = [one for phase in (*PHASES, "total") for one in _power_trials(taken, phase)]
    return settled(check, context.tag, trials, "Power fits voltage and current")


def _power_trials(taken: Snapshot, phase: str) -> Iterator[Trial]:
    due = apparent_from(taken, phase)
    if due is None or is_small(taken, due.value, phase):
        return
    title = f"Power of {_NAMES[phase]} does not fit voltage and current"
    apparent = taken.get("power_apparent", phase)
    active, reactive = taken.get("power_active", phase), taken.get("power_reactive", phase)
    if apparent is not None:
        yield _against(taken, phase, apparent, due, title)
    elif active is not None and reactive is not None:
        size = hypot(active.value, reactive.value)
        both = (active, reactive)
        whole = Apparent(due.value, due.width + classes(both), hypot(due.open, left_open(both)), due.by)
        yield _share(size, whole, title, (*both, *due.by))
    elif active is not None:
        left = hypot(active.unclassed, due.open)
        yield trial(
            active.point,
            abs(active.value),
            left,
            (None, due.value + roomy(due.width + classes((active,)), left)),
            title=title,
            advice=_WIRING,
            unit="W",
            decimals=0,
            by=(active, *due.by),
        )


def _against(taken: Snapshot, phase: str, apparent: Measured, due: Apparent, title: str) -> Trial:
    """An apparent power against voltage and current: of all phases it may be vector or arithmetic."""
    low = due.value
    active, reactive = taken.get("power_active", phase), taken.get("power_reactive", phase)
    if phase == "total" and active and reactive and taken.frame.conventions.apparent_power != "arithmetic":
        low = max(LEAST_SHARE * due.value, min(due.value, hypot(active.value, reactive.value)))
    left = hypot(apparent.unclassed, due.open)
    spare = roomy(due.width + classes((apparent,)), left)
    return trial(
        apparent.point,
        abs(apparent.value),
        left,
        (low - spare, due.value + spare),
        title=title,
        advice="A plain factor between them is a ratio or a scale that is set for only one of them. "
        f"{_WIRING}",
        unit="VA",
        decimals=0,
        told=f"voltage times current gives {due.value:.0f}",
        by=(apparent, *due.by),
        size=due.value,
    )


# -- direction ---------------------------------------------------------------------------------------------


def _direction(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = under_load(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    shown = [(p, one, size) for p in PHASES if (one := _share_of(taken, p)) and (size := one[1])]
    if len(shown) < 2:
        return []
    sign = _majority([one[0].value for _, one, _ in shown])
    return settled(
        check,
        context.tag,
        [_direction_trial(phase, one, size, sign) for phase, one, size in shown],
        "Power flows the same way in all phases",
    )


def _majority(values: Sequence[float]) -> float:
    """The sign that most have, by the strongest where they are even."""
    votes = sum(1 if value >= 0 else -1 for value in values)
    return 1.0 if (votes or max(values, key=abs)) >= 0 else -1.0


def _share_of(taken: Snapshot, phase: str) -> tuple[Measured, float] | None:
    """Active power of a phase and the apparent power that it is a part of; None where either is unknown."""
    active, due = taken.get("power_active", phase), apparent_from(taken, phase)
    told = taken.get("power_apparent", phase)
    size = abs(told.value) if told else due.value if due else 0.0
    return (active, size) if active and size and not is_small(taken, size, phase) else None


def _direction_trial(phase: str, one: tuple[Measured, float], size: float, sign: float) -> Trial:
    active = one[0]
    return trial(
        active.point,
        sign * active.value / size,
        active.half_width / size,
        (-BACKWARDS, None),
        title=f"Power of {_NAMES[phase]} flows against the other phases",
        advice="One current transformer turned round shows just this, and the total reads a third. Less "
        f"often the current transformers of two phases are exchanged. {CT_CAUTION}",
        decimals=2,
        told=f"{active.value:.0f} W of {size:.0f} VA",
        by=(active,),
    )


def _keys(quantity: str, names: Iterable[str]) -> tuple[Key, ...]:
    return tuple((quantity, name) for name in names)


_LOAD = (*_keys("current", PHASES),)
_TOTAL_P = ("power_active", "total")

TRIANGLE = DeviceCheck(
    id="electrical.triangle",
    title="Active, reactive and apparent power fit",
    needs=VALUES,
    why="Powers that do not fit each other come from a turned or exchanged current transformer, or from "
    "wrong "
    "registers: energy is then billed wrongly for years.",
    source="IEEE 1459 (P2 + Q2 at most S2; from memory); tolerance: accuracy class of the profile; least "
    "share of "
    "0.6: common practice, no source",
    since="0.1",
    danger=5,
    where="devices that show active, reactive and apparent power, where current may flow",
    run=_triangle,
    applies=has_under_load(
        *((("power_active", p), ("power_reactive", p), ("power_apparent", p)) for p in (*PHASES, "total"))
    ),
    required=lambda subject: False,
)
POWER = DeviceCheck(
    id="electrical.power",
    title="Power fits voltage and current",
    needs=VALUES,
    why="A reversed or exchanged current transformer, or a wrong ratio, leaves voltages and currents "
    "plausible and "
    "makes power, energy and directional protection wrong.",
    source="IEEE 1459 (definitions, from memory); tolerance: accuracy class of the profile",
    since="0.1",
    danger=6,
    where="devices that show currents, voltages and a power, where current may flow",
    run=_power,
    applies=also_single(
        has_under_load(
            (*_keys("voltage_line", PAIRS), *_LOAD, _TOTAL_P),
            (*_keys("voltage_phase", PHASES), *_LOAD, _TOTAL_P),
            (("voltage_phase", "a"), ("current", "a"), ("power_active", "a")),
        ),
        has_under_load((("voltage_phase", "a"), ("current", "a"), _TOTAL_P)),
    ),
    required=lambda subject: False,
)
DIRECTION = DeviceCheck(
    id="electrical.direction",
    title="Power flows the same way in all phases",
    needs=VALUES,
    why="One current transformer turned round makes the total read a third, and directional and ground-fault "
    "protection act on nonsense.",
    source="common practice, no source (a phase that carries 0.3 of its apparent power backwards)",
    since="0.1",
    danger=7,
    where="devices that show active power, voltage and current of each phase, where current may flow",
    run=_direction,
    applies=has_under_load(
        (*_keys("power_active", PHASES), *_keys("voltage_phase", PHASES), *_LOAD),
        (*_keys("power_active", PHASES), *_keys("power_apparent", PHASES), *_LOAD),
    ),
    required=lambda subject: False,
)
