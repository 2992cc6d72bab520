"""Does the device's clock agree with the reference clock.

One careful reading gives an interval, never a number: the device showed v with resolution q at some instant
between sending (wall time t1) and receiving (t4), so its offset from this computer's clock lies in
[v - t4, v + q - t1]; the reference's own interval is taken off that.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from probe.judge.check import DeviceCheck, Need, Subject
from probe.judge.clock_class import ClockClass, classify
from probe.judge.context import DeviceContext
from probe.judge.limit import Interval, within
from probe.judge.wording import instant, span
from probe.judge.zone import clock_instant
from probe.model.finding import Finding, Verdict
from probe.model.profile import ClockRule
from probe.model.reading import Reading

STANDS_STILL = "Clock stands still"


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    rule = context.profile.clock
    readings = context.readings(rule.point) if rule else ()
    if rule is None or not readings:
        return
    good = context.good(rule.point)
    if not good:
        yield _invalid(check, context, readings[-1])
        return
    stopped = _stopped(good, rule)
    if stopped is not None:
        yield _stands(check, context, rule, *stopped)
        return
    why = _why_not(context)
    if why:
        yield check.untested(context.tag, why)
        return
    yield from _judged(check, context, rule, good)


def _why_not(context: DeviceContext) -> str:
    run = context.run
    if run.step_s:
        return "this computer's clock was stepped during the run"
    if not run.reference.usable:
        return f"the reference clock ({run.reference.name}) cannot be used: {run.reference.reason}"
    return "" if run.wall_s(0) is not None else "the run has no tie to wall time"


def offset_of(context: DeviceContext, rule: ClockRule, reading: Reading) -> Interval | None:
    """Bounds of (device - reference) in seconds by one reading; None where its time names no instant."""
    sent, received = context.run.wall_s(reading.sent_ns), context.run.wall_s(reading.received_ns)
    shown = clock_instant(float(reading.value), rule, context.map.clock.zone)
    if sent is None or received is None or shown is None:
        return None
    reference = context.run.reference.offset
    return Interval(shown - received - reference.high, shown + rule.resolution_s - sent - reference.low)


def _judged(
    check: DeviceCheck, context: DeviceContext, rule: ClockRule, good: tuple[Reading, ...]
) -> Iterable[Finding]:
    seen = [(offset, reading) for reading in good if (offset := offset_of(context, rule, reading))]
    if not seen:
        yield check.untested(context.tag, f"the map's zone {context.map.clock.zone} is unknown here")
        return
    offset, reading = min(seen, key=lambda one: one[0].half_width)
    tolerance = context.map.clock.tolerance_s
    verdict = within(offset, -tolerance, tolerance)
    if verdict is Verdict.FAIL:
        yield _off(check, context, rule, offset, reading)
        return
    yield check.find(
        context.tag,
        verdict,
        "Clock agrees with the reference"
        if verdict is Verdict.PASS
        else "Clock may be off: the measurement cannot tell",
        observed=_signed(offset.middle, offset.half_width),
        expected=f"within {tolerance:g}",
        unit="s",
        uncertainty=_digits(offset.half_width),
        evidence=(reading.sequence, *context.run.reference.sequences),
        advice=""
        if verdict is Verdict.PASS
        else "A clock that shows whole seconds cannot be read more finely once; "
        "repeat, or set a tolerance that the device can show.",
    )


def _off(
    check: DeviceCheck, context: DeviceContext, rule: ClockRule, offset: Interval, reading: Reading
) -> Finding:
    kind = classify(offset, reading, context.point(rule.point), rule, context.map.clock)
    context.memory["clock_hours"] = kind.hours
    return check.find(
        context.tag,
        Verdict.FAIL,
        kind.title,
        observed=f"shows {instant(float(reading.value))}"
        if kind.absurd
        else _signed(offset.middle, offset.half_width),
        expected=f"within {context.map.clock.tolerance_s:g}",
        unit="" if kind.absurd else "s",
        uncertainty="" if kind.absurd else _digits(offset.half_width),
        point=rule.point,
        evidence=(reading.sequence, *context.run.reference.sequences),
        advice=_advice(kind, offset),
    )


def _advice(kind: ClockClass, offset: Interval) -> str:
    if kind.absurd:
        return kind.advice
    late = "behind" if offset.middle < 0 else "ahead of"
    return f"The device is {span(offset.middle)} {late} the reference. {kind.advice}"


def _digits(uncertainty: float) -> str:
    return f"{uncertainty:.3f}" if uncertainty < 0.1 else f"{uncertainty:.1f}"


def _signed(value: float, uncertainty: float) -> str:
    return f"{value:+.3f}" if uncertainty < 0.1 else f"{value:+.1f}"


def _stopped(good: tuple[Reading, ...], rule: ClockRule) -> tuple[Reading, Reading] | None:
    """Two readings far enough apart that a running clock must have moved, and did not."""
    for before, after in pairwise(good):
        apart_s = (after.sent_ns - before.received_ns) / 1e9
        if after.value == before.value and apart_s > 2 * rule.resolution_s:
            return before, after
    return None


def _stands(
    check: DeviceCheck, context: DeviceContext, rule: ClockRule, before: Reading, after: Reading
) -> Finding:
    return check.find(
        context.tag,
        Verdict.FAIL,
        STANDS_STILL,
        observed=f"{instant(float(after.value))} at both readings, "
        f"{span((after.sent_ns - before.received_ns) / 1e9)} apart",
        expected="a clock that runs",
        point=rule.point,
        evidence=(before.sequence, after.sequence),
        advice="Either the clock is stopped or the register is a copy that nobody refreshes: look at the "
        "device's display. Events of this device will carry false times.",
    )


def _invalid(check: DeviceCheck, context: DeviceContext, reading: Reading) -> Finding:
    return check.find(
        context.tag,
        Verdict.FAIL,
        "Clock is not valid",
        observed=f"{reading.quality.value} (registers {reading.raw.hex(' ').upper()})",
        expected="a date and time",
        point=reading.point,
        evidence=(reading.sequence,),
        advice="The device says itself that its time cannot be trusted, or these registers hold no date: see "
        "whether it was ever set and which master should set it.",
    )


def _applies(subject: Subject) -> bool:
    reference = subject.lineup.map.clock.reference
    return (
        subject.profile.clock is not None
        and not subject.scope.quick
        and reference != f"tag:{subject.device.tag}"
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
    applies=_applies,
)
