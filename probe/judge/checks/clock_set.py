"""What became of setting a device's clock: how it stood before, what was written, how it stands since.

The readings before the write and those after it are two measurements of their own. A clock that is right at
first and leaps back while it is watched has another master that sets it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from probe.judge.blocks import request_pdu
from probe.judge.check import DeviceCheck, Need, Subject
from probe.judge.clock_state import ClockState, clock_state
from probe.judge.clock_track import Behaviour
from probe.judge.clock_view import clock_of, clock_terms, every_reading
from probe.judge.context import DeviceContext
from probe.judge.limit import Interval
from probe.judge.wording import first_bytes, span
from probe.model.evidence import ClockDecision, Exchange, Outcome, Purpose
from probe.model.finding import Finding, Verdict

#: Fields of a finding by name; Any, because they differ in type.
Facts = dict[str, Any]
#: A clock that moved less than this share of what it was off by has not taken the write.
_TAKEN_SHARE = 0.5


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    decision = context.evidence.decisions[-1][1] if context.evidence.decisions else None
    writes = [(number, e) for number, e in context.sent if e.purpose is Purpose.CLOCK_SET]
    if decision is None:
        return
    if decision.decision != "set":
        yield _not_set(check, context, decision)
    elif not writes:
        yield check.untested(context.tag, "nothing could be written: no connection, or no answer before it")
    elif writes[-1][1].outcome is Outcome.EXCEPTION:
        yield _refused_by_device(check, context, writes)
    else:
        yield _outcome(check, context, decision, writes)


def _not_set(check: DeviceCheck, context: DeviceContext, decision: ClockDecision) -> Finding:
    """The tool would not, or the operator did not."""
    if decision.decision == "declined":
        return check.untested(context.tag, "the operator did not confirm; nothing was written")
    return check.untested(
        context.tag,
        f"not set, because {decision.reason}",
        advice="Nothing was written to it. Clear up the reason, then set it again.",
    )


def _refused_by_device(
    check: DeviceCheck, context: DeviceContext, writes: list[tuple[int, Exchange]]
) -> Finding:
    number, exchange = writes[-1]
    return check.find(
        context.tag,
        Verdict.FAIL,
        "The device refused to have its clock set",
        observed=f"exception {exchange.exception_code:02X} to {first_bytes(request_pdu(exchange))}",
        expected="the write repeated as its answer",
        evidence=(number,),
        advice="It may be locked against writes (a key switch, a password, a mode), or its profile's "
        "clock, write is of another firmware. The clock stands as it was found, unless it takes registers "
        "one by one: look at the readings since.",
    )


def _outcome(
    check: DeviceCheck,
    context: DeviceContext,
    decision: ClockDecision,
    writes: list[tuple[int, Exchange]],
) -> Finding:
    """Measured before and after."""
    before, after = _before(context), clock_of(context)
    answered = writes[-1][1].outcome is Outcome.DATA
    numbers = (*(n for n, _ in context.evidence.decisions), *(n for n, _ in writes))
    evidence = (*numbers, *(r.sequence for r in every_reading(context)), *context.run.reference.sequences)
    facts: Facts = {
        "evidence": evidence,
        "expected": f"within {context.map.clock.tolerance_s:g} s",
    }
    if after is None or after.offset_s is None:
        said = "no answer came to the write" if not answered else "the device answered the write"
        return check.find(
            context.tag,
            Verdict.REVIEW,
            "Clock was written, but how it stands since is not known",
            observed=said if after is None else f"{said}; {after.behaviour.value} since",
            advice="Measure its clock again before anything is read from its stamps.",
            **facts,
        )
    facts["observed"] = f"{_words(before)} before, {_offset(after.offset_s)} since"
    facts["uncertainty"] = f"{after.offset_s.half_width:.3f}"
    if after.behaviour is Behaviour.JUMPED:
        return _reverted(check, context, facts, after)
    if _untouched(before, after):
        return _ignored(check, context, facts, answered=answered)
    return _left(check, context, decision, facts, after, answered=answered)


def _left(
    check: DeviceCheck,
    context: DeviceContext,
    decision: ClockDecision,
    facts: Facts,
    after: ClockState,
    *,
    answered: bool,
) -> Finding:
    """How the clock was left."""
    titles = {
        Verdict.PASS: "Clock was set, and agrees with the reference",
        Verdict.REVIEW: "Clock was set, but the measurement since cannot tell if it is right",
        Verdict.FAIL: "Clock was set, and is off all the same",
    }
    advice = {
        Verdict.PASS: f"Set by {decision.operator}. Stamps from before this moment are in the device's old "
        "time: note when it was set.",
        Verdict.REVIEW: "Measure again with --fine, or with a reference that is read more finely.",
        Verdict.FAIL: "The profile may write another form of time than the device expects (zone, encoding, "
        "order), or something else sets it. Compare what was written with what it shows.",
    }
    note = "" if answered else " No answer came to the write itself."
    return check.find(
        context.tag, after.verdict, titles[after.verdict], advice=advice[after.verdict] + note, **facts
    )


def _reverted(check: DeviceCheck, context: DeviceContext, facts: Facts, after: ClockState) -> Finding:
    jump = f"{'forward' if after.jump_s > 0 else 'back'} by {span(after.jump_s)}"
    return check.find(
        context.tag,
        Verdict.REVIEW,
        "Clock was set, then reverted: another master sets it",
        advice=f"It leapt {jump} while it was watched after the write. Find out which master or time server "
        "sets this device, and put that one right: setting the device itself does not last.",
        **facts,
    )


def _ignored(check: DeviceCheck, context: DeviceContext, facts: Facts, *, answered: bool) -> Finding:
    return check.find(
        context.tag,
        Verdict.FAIL,
        "Clock did not take the time that was written" if answered else "Clock could not be set: no answer",
        advice="The device said yes and kept its old time: it may take its time from elsewhere only, or "
        "need a mode or a further register (profile: clock, write, latch)."
        if answered
        else "No answer came to the write, and the clock stands as before. See whether the device can be "
        "written at all from here.",
        **facts,
    )


def _before(context: DeviceContext) -> ClockState | None:
    """How the clock stood before the first write."""
    first_ns = min((e.sent_ns for _, e in context.sent if e.purpose is Purpose.CLOCK_SET), default=0)
    readings = [one for one in every_reading(context) if one.received_ns <= first_ns]
    if not readings:
        return None
    return clock_state(clock_terms(context.lineup, context.tag), readings, context.run)


def _untouched(before: ClockState | None, after: ClockState) -> bool:
    """True if the clock stands where it stood, and that is not where it was to stand."""
    if before is None or before.offset_s is None or after.offset_s is None:
        return False
    was, now = before.offset_s.middle, after.offset_s.middle
    moved = abs(now - was)
    doubt = before.offset_s.half_width + after.offset_s.half_width
    return moved <= doubt and abs(was) > doubt and moved < _TAKEN_SHARE * abs(was)


def _words(state: ClockState | None) -> str:
    if state is None or state.offset_s is None:
        return "no comparable time"
    return _offset(state.offset_s)


def _offset(offset: Interval) -> str:
    """An offset for people."""
    if abs(offset.middle) >= 3600:
        return f"{'-' if offset.middle < 0 else '+'}{span(offset.middle)}"
    digits = 3 if offset.half_width < 0.1 else 1
    return f"{offset.middle:+.{digits}f} ± {offset.half_width:.{digits}f} s"


def _asked(subject: Subject) -> bool:
    return subject.device.tag in subject.scope.set_clocks


CHECK = DeviceCheck(
    id="clock.set",
    title="Clock was set as asked",
    needs=(Need.ATTEMPTS,),
    why="A clock that was set wrongly, or that something else sets back, makes every later order of events "
    "wrong, and everybody believes it was put right.",
    source="common practice, no source",
    since="0.2",
    danger=4,
    where="devices whose clock was to be set (clock --set)",
    run=_run,
    applies=_asked,
)
