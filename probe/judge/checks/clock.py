"""Does the device's clock agree with the reference clock.

Each reading gives an interval, never a number: the device showed v with resolution q at some instant between
sending (t1) and receiving (t4), so its offset from the run's own time lies in [v - t4, v + q - t1]. All
readings together narrow it (``clock_region``), the reference's own interval is taken off (``clock_state``).
What this module decides is what is said of it.
"""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import DeviceCheck, Need, Subject
from probe.judge.clock_class import WORD_ORDER, ClockClass, Wrong, classify
from probe.judge.clock_reading import shown_s
from probe.judge.clock_state import COARSE_S, ClockState
from probe.judge.clock_track import Behaviour
from probe.judge.clock_view import clock_of, clock_readings
from probe.judge.context import DeviceContext
from probe.judge.limit import Interval, exactly
from probe.judge.wording import count, instant, span
from probe.judge.zone import zone_named
from probe.model.evidence import Outcome, Purpose
from probe.model.finding import Finding, Verdict
from probe.model.profile import ClockRule
from probe.model.reading import Quality, Reading

STANDS_STILL = "Clock stands still"
NOT_VALID = "Clock is not valid"
NO_DATE = "Clock shows no possible date"
MARKED = "Clock is not valid: the device marks its own time so"
#: What is so whatever became of this computer's own clock; all else is void when that was stepped.
WITHOUT_OUR_CLOCK = frozenset({STANDS_STILL, NOT_VALID, NO_DATE, MARKED})


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    rule, state = context.profile.clock, clock_of(context)
    if rule is None:
        return
    if state is None:
        yield from _refused(check, context)
    elif rule.zone == "local" and zone_named(context.map.clock.zone) is None:
        yield check.untested(context.tag, f"the map's zone {context.map.clock.zone} is unknown here")
    elif (
        not context.run.step_s
        and not state.is_steady
        and (exchanged := _exchanged_words(context, rule)) is not None
    ):
        yield _off(check, context, rule, state, exchanged)
    elif not state.readings:
        yield _impossible(check, context)
    elif state.behaviour is Behaviour.STOPPED:
        yield _stands(check, context, state)
    elif state.marked == state.readings:
        yield _marked(check, context, state)
    elif state.behaviour is Behaviour.JUMPED and not context.run.step_s:
        yield _jumped(check, context, state)
    else:
        yield from _compared(check, context, rule, state)


def _compared(
    check: DeviceCheck, context: DeviceContext, rule: ClockRule, state: ClockState
) -> Iterable[Finding]:
    """What needs the reference clock and a steady clock of our own."""
    why = _why_not(context)
    if why:
        yield check.untested(context.tag, why)
    elif state.behaviour is Behaviour.CACHED:
        yield _cached(check, context, state)
    elif state.behaviour is Behaviour.UNSETTLED or state.offset_s is None:
        yield _unsettled(check, context, state)
    elif state.verdict is Verdict.FAIL:
        yield _off(check, context, rule, state, state.offset_s)
    else:
        yield _agrees(check, context, state, state.offset_s)


def _exchanged_words(context: DeviceContext, rule: ClockRule) -> Interval | None:
    """The offset of the last reading if its two registers stand in the wrong order: such a clock leaps."""
    reading = clock_readings(context)[-1]
    shown, wall_s = shown_s(reading, context.point(rule.point)), context.run.wall_s(reading.received_ns)
    if shown is None or wall_s is None or not context.run.reference.usable:
        return None
    offset = exactly(shown - wall_s)
    kind = _kind(context, rule, offset, reading)
    return offset if kind.title == WORD_ORDER else None


def _why_not(context: DeviceContext) -> str:
    run = context.run
    if run.step_s:
        return "this computer's clock was stepped during the run"
    if not run.reference.usable:
        return f"the reference clock ({run.reference.name}) cannot be used: {run.reference.reason}"
    return "" if run.wall_s(0) is not None else "the run has no tie to wall time"


# --- compared with the reference -------------------------------------------------------------------------


def _agrees(check: DeviceCheck, context: DeviceContext, state: ClockState, offset: Interval) -> Finding:
    passed = state.verdict is Verdict.PASS
    title = "Clock agrees with the reference" if passed else "Clock may be off: the measurement cannot tell"
    return check.find(
        context.tag,
        state.verdict,
        title,
        observed=_signed(offset.middle, offset.half_width),
        expected=f"within {state.tolerance_s:g}",
        unit="s",
        uncertainty=_digits(offset.half_width),
        evidence=evidence(context),
        advice=_passing(state) if passed else _finer(state),
    )


def _passing(state: ClockState) -> str:
    """What is worth a word of a clock that is right."""
    words = []
    if state.torn or state.stray or state.impossible:
        words.append(_set_aside(state))
    if state.beyond and state.drift_ppm is not None:
        words.append(f"It gains or loses more than the map allows: {drift_text(state.drift_ppm)}.")
    return " ".join(words)


def _set_aside(state: ClockState) -> str:
    """Readings that do not count, in words."""
    parts = [
        (state.torn, "torn (two times in one stamp)"),
        (state.impossible, "showed no possible date"),
        (state.stray, "fitted no other"),
    ]
    told = ", ".join(f"{many} {what}" for many, what in parts if many)
    return f"Of {count(state.readings + state.impossible, 'reading')} some do not count: {told}."


def _finer(state: ClockState) -> str:
    if state.resolution_s > COARSE_S:
        needed = f"about {span(state.resolution_s * 6)}"
        return (
            f"This clock shows steps of {span(state.resolution_s)}: a finer measurement waits for its steps "
            f"and takes {needed}; `buswitness clock MAP --patient` does it."
        )
    return (
        "The offset stands too near the edge of the tolerance for so few readings; `buswitness clock MAP "
        "--fine` measures to the finest that the gear allows."
    )


def _off(
    check: DeviceCheck, context: DeviceContext, rule: ClockRule, state: ClockState, offset: Interval
) -> Finding:
    reading = next(r for r in reversed(clock_readings(context)) if shown_s(r, context.point(rule.point)))
    kind = _kind(context, rule, offset, reading)
    context.memory["clock_hours"] = kind.hours
    observed = _signed(offset.middle, offset.half_width)
    if kind.absurd:
        observed = f"shows {instant(float(reading.value))}"
    return check.find(
        context.tag,
        Verdict.FAIL,
        kind.title,
        observed=observed,
        expected=f"within {state.tolerance_s:g}{' s' if kind.absurd else ''}",
        unit="" if kind.absurd else "s",
        uncertainty="" if kind.absurd else _digits(offset.half_width),
        point=rule.point,
        evidence=evidence(context),
        advice=_advice(kind, offset, state),
    )


def _kind(context: DeviceContext, rule: ClockRule, offset: Interval, reading: Reading) -> ClockClass:
    point = context.point(rule.point)
    true_s = context.run.wall_s(reading.received_ns) or 0.0
    wrong = Wrong(offset, shown_s(reading, point) or 0.0, true_s)
    return classify(wrong, reading, point, rule, context.map.clock)


def _advice(kind: ClockClass, offset: Interval, state: ClockState) -> str:
    if kind.absurd:
        return kind.advice
    late = "behind" if offset.middle < 0 else "ahead of"
    drifting = ""
    if state.beyond and state.drift_ppm is not None:
        drifting = f" It also runs wrong: {drift_text(state.drift_ppm)}."
    return f"The device is {span(offset.middle)} {late} the reference. {kind.advice}{drifting}"


def _unsettled(check: DeviceCheck, context: DeviceContext, state: ClockState) -> Finding:
    return check.find(
        context.tag,
        Verdict.REVIEW,
        "Clock readings contradict each other",
        observed=f"{count(state.readings, 'reading')} that no one clock can have shown",
        expected="a clock that runs evenly",
        evidence=evidence(context),
        advice="It was set or restarted just now, or these registers are no clock. Measure it again with "
        "`buswitness clock MAP --fine`.",
    )


def _cached(check: DeviceCheck, context: DeviceContext, state: ClockState) -> Finding:
    late = "" if state.lower_s is None else f"; the clock is at least {_signed(state.lower_s, 1.0)} s ahead"
    ahead = state.lower_s is not None and state.lower_s > state.tolerance_s
    return check.find(
        context.tag,
        Verdict.FAIL if ahead else Verdict.REVIEW,
        "Clock is served from memory: its stamps repeat and lag",
        observed=f"stamps that stand longer than {span(state.resolution_s)} and then move on{late}",
        expected="a stamp made when it is asked for",
        evidence=evidence(context),
        advice="A gateway or a slow processor answers for the clock with an old copy, so that its offset "
        "cannot be told. Read the device past the gateway, or switch the gateway's memory off for it.",
    )


# --- without the reference -------------------------------------------------------------------------------


def _stands(check: DeviceCheck, context: DeviceContext, state: ClockState) -> Finding:
    after = clock_readings(context)[-1]
    same = [reading for reading in clock_readings(context) if reading.value == after.value]
    before = same[0]
    return check.find(
        context.tag,
        Verdict.FAIL,
        STANDS_STILL,
        observed=f"{instant(float(after.value))} at {'both' if len(same) == 2 else f'all {len(same)}'} "
        f"readings, {span((after.sent_ns - before.received_ns) / 1e9)} apart",
        expected="a clock that runs",
        point=after.point,
        evidence=(before.sequence, after.sequence),
        advice="Either the clock is stopped or the register is a copy that nobody refreshes: look at the "
        "device's display. Events of this device will carry false times.",
    )


def _jumped(check: DeviceCheck, context: DeviceContext, state: ClockState) -> Finding:
    way = "back" if state.jump_s < 0 else "forward"
    return check.find(
        context.tag,
        Verdict.FAIL,
        "Clock jumped while it was watched",
        observed=f"{way} by {span(state.jump_s)}",
        expected="a clock that runs evenly",
        evidence=evidence(context),
        advice="Somebody or something set it just now, or the device restarted: two masters that both set it "
        "make it go to and fro. Find out who writes it, then measure again.",
    )


def _impossible(check: DeviceCheck, context: DeviceContext) -> Finding:
    reading = clock_readings(context)[-1]
    unset = reading.quality is Quality.NOT_AVAILABLE
    return check.find(
        context.tag,
        Verdict.FAIL,
        NOT_VALID if unset else NO_DATE,
        observed=f"{reading.quality.value} (registers {reading.raw.hex(' ').upper()})",
        expected="a date and time",
        point=reading.point,
        evidence=(reading.sequence,),
        advice="The device says itself that its time cannot be trusted, or these registers hold no date: see "
        "whether it was ever set and which master should set it, and whether the profile has the right "
        "encoding.",
    )


def _marked(check: DeviceCheck, context: DeviceContext, state: ClockState) -> Finding:
    reading = clock_readings(context)[-1]
    offset = state.offset_s
    stands = "" if offset is None else f", {_signed(offset.middle, offset.half_width)} s off"
    return check.find(
        context.tag,
        Verdict.FAIL,
        MARKED,
        observed=f"invalid bit set in {count(state.marked, 'stamp')}{stands}",
        expected="stamps that the device stands by",
        point=reading.point,
        evidence=evidence(context),
        advice="It has not been set since its power came back, or has lost its master. See which master "
        "should set it and whether that one runs.",
    )


def _refused(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    """What is said where the device answers exceptions instead of its clock."""
    codes = [
        exchange.exception_code
        for _, exchange in context.sent
        if exchange.purpose is Purpose.CLOCK and exchange.outcome is Outcome.EXCEPTION
    ]
    if codes:
        yield check.untested(
            context.tag,
            f"the device answers exception {codes[-1]:02X} when asked for its clock",
            advice="The profile may be of another firmware, or the clock may not be fitted: see the device's "
            "register list.",
        )


# --- words -----------------------------------------------------------------------------------------------


def evidence(context: DeviceContext) -> tuple[int, ...]:
    """The readings and the reference's."""
    return (*(r.sequence for r in clock_readings(context)), *context.run.reference.sequences)


def drift_text(drift_ppm: Interval) -> str:
    """Bounds of a drift in words."""
    return f"{drift_ppm.low:+.0f} to {drift_ppm.high:+.0f} ppm"


def _digits(uncertainty: float) -> str:
    return f"{uncertainty:.3f}" if uncertainty < 0.1 else f"{uncertainty:.1f}"


def _signed(value: float, uncertainty: float) -> str:
    return f"{value:+.3f}" if uncertainty < 0.1 else f"{value:+.1f}"


def judged_clock(subject: Subject) -> bool:
    """True if the device's clock is read and is not the reference itself."""
    return (
        subject.profile.clock is not None
        and not subject.scope.quick
        and not subject.lineup.map.clock.is_reference(subject.device.tag)
    )


CHECK = DeviceCheck(
    id="clock.skew",
    title="Clock agrees with the reference",
    needs=(Need.REPLIES, Need.IDENTITY, Need.PROOF, Need.REFERENCE),
    why="After a fault, the order of trips across the lineup is read from these clocks. A clock that is off "
    "makes the wrong breaker look like the first.",
    source="RFC 5905, 8 (offset lies within half the round trip); IEC 60870-5-4, 6.8 (as quoted by "
    "open-source "
    "libraries); tolerance: map",
    since="0.1",
    danger=4,
    where="devices whose profile names a clock, but for the reference itself; not with --quick",
    run=_run,
    applies=judged_clock,
)
