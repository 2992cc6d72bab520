"""Do the currents of one device fit: neutral and residual against the phases, and against the rating.

Angles unknown, whatever the waveform (a current is a vector, its RMS value a length):

    | largest - sum of the others |  <=  In  <=  Ia + Ib + Ic

Where the device shows active and reactive power of each phase, the angles of the fundamentals follow, and
with them what the neutral must carry; harmonics of the third order come on top and add up arithmetically.
"""

from __future__ import annotations

from cmath import rect
from collections.abc import Iterable, Iterator
from math import radians

from probe.judge.check import VALUES, DeviceCheck
from probe.judge.context import DeviceContext
from probe.judge.electrical.apparent import classes, left_open
from probe.judge.electrical.grounds import CT_CAUTION, also_single, has_under_load, no_load, under_load
from probe.judge.electrical.quantities import PHASES
from probe.judge.electrical.snapshot import Measured, Snapshot
from probe.judge.electrical.taking import loaded
from probe.judge.electrical.trial import Trial, graded, roomy, settled, trial
from probe.judge.wording import AT_THE_GEAR
from probe.model.finding import Finding, Verdict

#: Third harmonics that may add up in the neutral, as a share of the phase currents together: a third harmonic
#: of 35 % in each phase. Common practice, no source.
TRIPLEN = 0.35
#: Angles between the phase voltages stand within so many degrees of 120; common practice, no source.
ASKEW_DEG = 3.0
#: A residual current above this share of the largest phase current is no leakage; common practice, no source.
RESIDUAL = 0.2
#: Currents against the rating: nobody loads a breaker so for long; common practice, no source.
OVER_RATING, FAR_OVER_RATING = 1.2, 10.0
#: Angles from each phase to the next, degrees: as it should be, and if the phases follow as A, C, B.
FORWARD, BACKWARD = -120.0, 120.0
_NEUTRAL = (
    "A current transformer turned round or exchanged makes the phases not add up to the neutral; so does a "
    f"neutral sensor that is not fitted or has another ratio. {CT_CAUTION}"
)
_OTHER_ORDER = "The neutral current fits the phases only if they turn the other way round: A, C, B"
_OTHER_ADVICE = (
    "Compare with devices of this bus that show angles or the negative sequence, and measure the rotation at "
    f"the incoming terminals before any motor is started. {AT_THE_GEAR}"
)


def _neutral(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken, why = under_load(context)
    if taken is None:
        return [check.untested(context.tag, why)] if why else []
    phases = taken.phases("current")
    if taken.frame.phases == 1:
        trials = list(_return_trials(taken))
    else:
        trials = [] if phases is None else list(_neutral_trials(taken, phases))
    return settled(check, context.tag, trials, "Neutral and residual current fit the phases")


def _return_trials(taken: Snapshot) -> Iterator[Trial]:
    """In a system of one phase the neutral carries back what the phase brings."""
    phase, neutral = taken.get("current", "a"), taken.get("current", "n")
    if phase is None or neutral is None:
        return
    spare = roomy(classes((phase, neutral)), left_open((phase, neutral)))
    yield trial(
        neutral.point,
        abs(neutral.value),
        left_open((phase, neutral)),
        (abs(phase.value) - spare, abs(phase.value) + spare),
        title="The neutral does not carry back what the phase brings",
        advice="What is missing flows elsewhere: another neutral, or earth. Or one of the two is read with a "
        f"wrong scale, ratio or address. {CT_CAUTION}",
        unit="A",
        told=f"phase {abs(phase.value):.1f}",
        by=(neutral, phase),
    )


def _neutral_trials(taken: Snapshot, phases: tuple[Measured, Measured, Measured]) -> Iterator[Trial]:
    neutral, ground = taken.get("current", "n"), taken.get("current", "g")
    sizes = [abs(one.value) for one in phases]
    width = sum(one.half_width for one in phases)
    if neutral is not None:
        spare = width + neutral.half_width
        made = _neutral_trial(taken, neutral, phases, spare, FORWARD)
        if made.verdict is Verdict.FAIL:
            other = _neutral_trial(taken, neutral, phases, spare, BACKWARD)
            if other.verdict is Verdict.PASS:
                made = made._replace(soft=True, title=_OTHER_ORDER, advice=_OTHER_ADVICE)
        yield made
    if ground is not None:
        yield graded(
            ground.point,
            abs(ground.value),
            ground.step,
            (RESIDUAL * max(sizes) + width, sum(sizes) + (neutral.value if neutral else 0.0) + width),
            title="A large current is said to flow to ground",
            advice="If it is true, it is a fault that ground-fault protection should see: find out before "
            "anything else. If not, the residual sum has one current transformer turned round, or the "
            "neutral "
            f"sensor is missing from it. {CT_CAUTION}",
            unit="A",
            by=(ground, *phases),
        )


def _neutral_trial(
    taken: Snapshot,
    neutral: Measured,
    phases: tuple[Measured, Measured, Measured],
    spare: float,
    turn: float,
) -> Trial:
    """The neutral against the phases. turn: angle from each phase to the next, degrees."""
    low, high, how = _neutral_bounds(taken, [abs(one.value) for one in phases], turn)
    return trial(
        neutral.point,
        abs(neutral.value),
        neutral.step,
        (low - spare if low > spare else None, high + spare),
        title="The neutral current does not fit the phase currents",
        advice=_NEUTRAL,
        unit="A",
        told=how,
        by=(neutral, *phases),
    )


def _neutral_bounds(taken: Snapshot, sizes: list[float], turn: float) -> tuple[float, float, str]:
    """Least and most that the neutral may carry, A, and how it is known."""
    phasors = _phasors(taken, turn)
    if phasors is None:
        return max(0.0, 2 * max(sizes) - sum(sizes)), sum(sizes), "angles unknown"
    total = abs(sum(phasors))
    askew = radians(ASKEW_DEG) * sum(sizes) / 2 + _angle_doubt(taken) * sum(sizes)
    return max(0.0, total - askew), total + askew + TRIPLEN * sum(sizes), f"phases sum up to {total:.1f}"


def _phasors(taken: Snapshot, turn: float) -> list[complex] | None:
    """Phase currents with the angles that their powers give, voltages ``turn`` degrees apart; None if
    unknown."""
    volts, active, reactive = (
        taken.phases(name) for name in ("voltage_phase", "power_active", "power_reactive")
    )
    if volts is None or active is None or reactive is None or not taken.frame.to_neutral:
        return None
    if min(v.value for v in volts) <= 0:
        return None
    return [
        complex(p.value, -q.value) / v.value * rect(1, radians(turn * n))
        for n, (v, p, q) in enumerate(zip(volts, active, reactive, strict=True))
    ]


def _angle_doubt(taken: Snapshot) -> float:
    """By how much the powers' classes may turn a current, rad."""
    accuracy = taken.frame.accuracy
    return (accuracy.power_percent + accuracy.reactive_percent) / 100


def _rating(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    taken = loaded(context)
    if taken is None or taken.current_a is None:
        return []
    frame = taken.frame
    if not frame.rating_a:
        return [check.untested(context.tag, "no rating is known, neither from the map nor from the device")]
    if not taken.is_loaded:
        return [check.untested(context.tag, no_load(taken))]
    shown = [one for name in (*PHASES, "average") if (one := taken.get("current", name))]
    if not shown:
        return []
    largest = max(shown, key=lambda one: abs(one.value))
    return settled(
        check,
        context.tag,
        [
            graded(
                largest.point,
                abs(largest.value),
                largest.half_width,
                (OVER_RATING * frame.rating_a, FAR_OVER_RATING * frame.rating_a),
                title="More current than the sensors are rated for",
                advice=f"The {frame.rating_from} says {frame.rating_a:.0f} A. Compare with another "
                f"instrument of "
                "this circuit: a ratio set for another transformer, or a scale that is off, shows a wrong "
                "current "
                "by one plain factor. If the current is real, the circuit is overloaded.",
                unit="A",
                by=(largest,),
            )
        ],
        "Current within the rating",
    )


_CURRENTS = tuple(("current", name) for name in PHASES)

NEUTRAL = DeviceCheck(
    id="electrical.neutral",
    title="Neutral and residual current fit the phases",
    needs=VALUES,
    why="Ground-fault protection adds up the same currents: if they do not add up here, it trips for "
    "nothing or "
    "not at all.",
    source="Kirchhoff's current law for RMS values (textbook; from memory); tolerance: accuracy class of the "
    "profile; third harmonics and residual current: common practice, no source",
    since="0.1",
    danger=6,
    where="devices that show the phase currents and a neutral or residual current, where current may flow",
    run=_neutral,
    applies=also_single(
        has_under_load((*_CURRENTS, ("current", "n")), (*_CURRENTS, ("current", "g"))),
        has_under_load((("current", "a"), ("current", "n"))),
    ),
    required=lambda subject: False,
)
RATING = DeviceCheck(
    id="electrical.rating",
    title="Current within the rating",
    needs=VALUES,
    why="Trip settings are multiples of the sensor: a ratio set for another core shifts them all, and the "
    "breaker "
    "trips too late or never.",
    source="common practice, no source (1.2 times the rated current of map or device)",
    since="0.1",
    danger=6,
    where="devices that show phase currents, where current may flow",
    run=_rating,
    applies=also_single(
        has_under_load(_CURRENTS, (("current", "average"),)), has_under_load((("current", "a"),))
    ),
    required=lambda subject: False,
)
