"""Does a clock keep its rate, and does its device say that it is kept in step."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import DeviceCheck, Need, Subject
from probe.judge.checks.clock import drift_text, evidence, judged_clock
from probe.judge.clock_state import ClockState
from probe.judge.clock_view import clock_of
from probe.judge.context import DeviceContext
from probe.judge.limit import within
from probe.judge.wording import span, value_text
from probe.model.finding import Finding, Verdict

#: A dwell that is shorter says nothing of a drift (bench/clock.py: 20 ms at both ends).
SHORTEST_S = 300.0


def _drift(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    state = clock_of(context)
    if state is None or not (state.beyond or _watched(context.scope.dwell_s)):
        return
    if context.run.step_s:
        yield check.untested(context.tag, "this computer's clock was stepped during the run")
    elif not state.is_settled:
        yield check.untested(
            context.tag, f"its readings are not those of a running clock ({state.behaviour})"
        )
    elif state.drift_ppm is None:
        yield check.untested(context.tag, f"{span(state.watched_s)} are too short to tell")
    else:
        yield _judged(check, context, state)


def _judged(check: DeviceCheck, context: DeviceContext, state: ClockState) -> Finding:
    bound = context.map.clock.drift_ppm
    drift = state.drift_ppm
    assert drift is not None
    verdict = within(drift, -bound, bound)
    titles = {
        Verdict.PASS: "Clock keeps its rate",
        Verdict.REVIEW: "Clock may run wrong: it was watched too briefly to tell",
        Verdict.FAIL: f"Clock runs {'fast' if drift.middle > 0 else 'slow'}",
    }
    return check.find(
        context.tag,
        verdict,
        titles[verdict],
        observed=drift_text(drift),
        expected=f"within {bound:g} ppm",
        uncertainty="",
        evidence=evidence(context),
        advice=_advice(state, verdict),
    )


def _advice(state: ClockState, verdict: Verdict) -> str:
    leaves = ""
    if state.leaves_s is not None and state.leaves_s.low < float("inf"):
        leaves = f"It leaves the tolerance in {span(state.leaves_s.low)} at the earliest."
    if verdict is Verdict.PASS:
        return leaves
    if verdict is Verdict.REVIEW:
        return f"Watch it longer: --dwell {max(round(state.watched_s * 3 / 60), 10)}m. {leaves}".strip()
    return (
        "Either its oscillator is out of order, something else sets it again and again, or it was set just "
        f"while it was watched: measure once more. {leaves}"
    ).strip()


def _watched(dwell_s: float) -> bool:
    return dwell_s >= SHORTEST_S


def _synchronised(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    rule = context.profile.clock
    if rule is None or rule.sync is None:
        return
    reading = context.latest(rule.sync.point)
    if reading is None:
        return
    point = context.point(rule.sync.point)
    good = reading.value in rule.sync.good
    yield check.find(
        context.tag,
        Verdict.PASS if good else Verdict.FAIL,
        "The device says that its clock is kept in step"
        if good
        else "The device says that its clock is not kept in step",
        observed=value_text(point, reading.value),
        expected=" or ".join(value_text(point, raw) for raw in rule.sync.good),
        point=point.name,
        evidence=(reading.sequence,),
        advice=""
        if good
        else "Its time may be right now and will not stay so. See whether the source of time is reachable "
        "and healthy, whether the device is told to use it, and whether it was restarted since.",
    )


def _says_so(subject: Subject) -> bool:
    clock = subject.profile.clock
    return clock is not None and clock.sync is not None and not subject.scope.quick


DRIFT = DeviceCheck(
    id="clock.drift",
    title="Clock keeps its rate",
    needs=(Need.REPLIES, Need.IDENTITY, Need.PROOF, Need.REFERENCE),
    why="A clock that drifts is right on the day of the audit and wrong on the day of the fault.",
    source="common practice, no source; bound: map",
    since="0.2",
    danger=3,
    where=f"devices whose profile names a clock, when watched for {SHORTEST_S / 60:g} minutes or more; "
    "whenever readings need more drift than the map allows",
    run=_drift,
    applies=lambda subject: judged_clock(subject) and _watched(subject.scope.dwell_s),
    required=lambda subject: False,
    unasked=True,
)
SYNCHRONISED = DeviceCheck(
    id="clock.sync",
    title="Clock is kept in step, by the device's own word",
    needs=(Need.REPLIES, Need.IDENTITY, Need.PROOF),
    why="A clock that has lost its source runs on and drifts away unseen: after a month its events cannot be "
    "put in order.",
    source="common practice, no source",
    since="0.2",
    danger=3,
    where="devices whose profile says where they tell it (clock, sync); not with --quick",
    run=_synchronised,
    applies=_says_so,
)
