"""Which alarms and trips the device shows."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import VALUES, DeviceCheck
from probe.judge.context import DeviceContext
from probe.judge.wording import AT_THE_GEAR, count
from probe.model.finding import Finding, Verdict
from probe.model.profile import AlarmRule
from probe.model.reading import Reading

_DANGER = {"trip": 8, "alarm": 6, "notice": 2}
_VERDICT = {"trip": Verdict.FAIL, "alarm": Verdict.FAIL, "notice": Verdict.REVIEW}
_ADVICE = {
    "trip": "Find out what tripped it before anyone resets or closes it: a breaker must not be closed onto "
    "a fault "
    f"to see whether it holds. {AT_THE_GEAR}",
    "alarm": "Read the device's own event list for when it came, and have the cause removed.",
    "notice": "Decide whether this is meant to be so, and write it down.",
}


def is_present(rule: AlarmRule, reading: Reading) -> bool:
    """True if the reading shows the alarm."""
    raw = int(reading.value)
    return (raw & rule.mask if rule.mask else raw) in rule.active


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    read, present = 0, 0
    for rule in context.profile.alarms:
        reading = context.latest(rule.point)
        if reading is None:
            continue
        read += 1
        if is_present(rule, reading):
            present += 1
            yield _present(check, context, rule, reading)
    missing = len(context.profile.alarms) - read
    if missing and read:
        yield check.untested(context.tag, f"{count(missing, 'alarm')} could not be read", point="unread")
    elif read and not present:
        yield check.find(
            context.tag, Verdict.PASS, "No alarm and no trip", observed=f"none of {read}", expected="none"
        )


def _present(check: DeviceCheck, context: DeviceContext, rule: AlarmRule, reading: Reading) -> Finding:
    return check.find(
        context.tag,
        _VERDICT.get(rule.severity, Verdict.FAIL),
        f"{rule.severity.capitalize()}: {rule.title}",
        observed="present",
        expected="none",
        point=rule.name,
        danger=_DANGER.get(rule.severity, 6),
        evidence=(reading.sequence,),
        advice=_ADVICE.get(rule.severity, _ADVICE["alarm"]),
    )


CHECK = DeviceCheck(
    id="alarms.present",
    title="No alarm and no trip",
    needs=VALUES,
    why="An alarm that stands at hand-over hides the next one.",
    source="list of alarms: profile",
    since="0.1",
    danger=6,
    where="devices whose profile lists alarms",
    run=_run,
    applies=lambda subject: bool(subject.profile.alarms),
)
