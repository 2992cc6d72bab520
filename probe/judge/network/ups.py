"""Checks on supplies (UPS): on battery, charge, minutes left, last battery test, alarms.

Each exists twice: by the supply's Modbus profile, in an audit, and by the UPS-MIB (RFC 1628), in a survey.
What is judged is the same (``ups_state``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from probe.judge.check import STANDING_VALUES, Check, DeviceCheck, LineupCheck, Subject
from probe.judge.context import DeviceContext
from probe.judge.limit import within
from probe.judge.lineup_context import LineupContext
from probe.judge.network.switch_check import agent_check
from probe.judge.network.switch_view import SwitchView
from probe.judge.network.ups_state import TestResult, UpsState, from_readings, from_snmp
from probe.judge.wording import count, some
from probe.model.device_map import Device, Kind
from probe.model.finding import Finding, Verdict

#: Below it somebody should look: charging after an outage, or a battery that does not charge; common
#: practice, no source.
CHARGE_PERCENT = 90.0

Judge = Callable[[Check, Device, UpsState], Iterable[Finding]]
_WORKING = "The load hangs on the battery: find out why the mains are away before it is empty."
_NO_OUTPUT = "Nothing comes out of it: see whether its output is switched off, and what its load is fed from."


def _source(check: Check, device: Device, state: UpsState) -> Iterator[Finding]:
    if state.on_battery is None and not state.source:
        return
    none, usual = state.source == "none", state.source in ("", "normal")
    on_battery = state.on_battery or state.source == "battery"
    verdict = Verdict.FAIL if on_battery or none else (Verdict.PASS if usual else Verdict.REVIEW)
    title = {
        Verdict.FAIL: "The supply gives no output" if none else "The supply runs from its battery",
        Verdict.REVIEW: f"The supply's output comes from {state.source}",
        Verdict.PASS: check.title,
    }[verdict]
    advice = {
        Verdict.FAIL: _NO_OUTPUT if none else _WORKING,
        Verdict.REVIEW: "On bypass nothing is backed up: put it back to normal before hand-over.",
        Verdict.PASS: "",
    }[verdict]
    yield check.find(
        device.tag,
        verdict,
        title,
        observed=state.source or ("on battery" if state.on_battery else "on mains"),
        expected="normal, on mains",
        evidence=state.lines,
        advice=advice,
    )


def _charge(check: Check, device: Device, state: UpsState) -> Iterator[Finding]:
    if state.battery in ("low", "depleted"):
        yield check.find(
            device.tag,
            Verdict.FAIL,
            f"The battery is {state.battery}",
            observed=state.battery,
            expected="normal",
            evidence=state.lines,
            advice="It will not carry the load: find out whether it charges at all.",
        )
    elif state.charge is not None:
        verdict = within(state.charge, CHARGE_PERCENT, None)
        verdict = Verdict.REVIEW if verdict is Verdict.FAIL else verdict
        yield check.find(
            device.tag,
            verdict,
            check.title if verdict is Verdict.PASS else "The battery is not fully charged",
            observed=f"{state.charge.middle:g}",
            expected=f"at least {CHARGE_PERCENT:g}",
            unit="%",
            uncertainty=f"±{state.charge.half_width:g} (last digit; the supply's own estimate)",
            evidence=state.lines,
            advice=""
            if verdict is Verdict.PASS
            else "After an outage give it the hours that its manual names, and look again.",
        )


def _minutes(check: Check, device: Device, state: UpsState) -> Iterator[Finding]:
    if state.minutes is None:
        return
    wanted = device.autonomy_min
    if wanted is None:
        yield check.untested(
            device.tag,
            f"the map gives no autonomy_min (the supply estimates {state.minutes.middle:g} min)",
        )
        return
    verdict = within(state.minutes, wanted, None)
    yield check.find(
        device.tag,
        verdict,
        check.title if verdict is Verdict.PASS else "The battery may not last as long as it must",
        observed=f"{state.minutes.middle:g} (its own estimate at the present load)",
        expected=f"at least {wanted:g}",
        unit="min",
        uncertainty=f"±{state.minutes.half_width:g} (last digit; how good the estimate is, is not told)",
        evidence=state.lines,
        advice="An estimate, not a proof: a timed discharge at the real load shows what the battery holds."
        if verdict is Verdict.PASS
        else "Compare load and battery with the design; a timed discharge at the real load shows it.",
    )


_RESULTS = {
    TestResult.PASSED: (Verdict.PASS, ""),
    TestResult.WARNING: (Verdict.REVIEW, "Read the supply's log for what it warns of."),
    TestResult.FAILED: (Verdict.FAIL, "Replace the battery, or have it looked at, before relying on it."),
    TestResult.ABORTED: (Verdict.REVIEW, "Somebody or something stopped it: repeat the test."),
}


def _test(check: Check, device: Device, state: UpsState) -> Iterator[Finding]:
    if state.test is None:
        return
    if state.test not in _RESULTS:
        yield check.untested(
            device.tag,
            f"the supply says of its battery test: {state.test}",
            advice="Have the battery tested by people who may; this tool starts no test.",
        )
        return
    verdict, advice = _RESULTS[state.test]
    yield check.find(
        device.tag,
        verdict,
        check.title if verdict is Verdict.PASS else f"The last battery test {_ENDED[state.test]}",
        observed=state.test,
        expected="passed",
        evidence=state.lines,
        advice=advice,
    )


_ENDED = {
    TestResult.WARNING: "passed with a warning",
    TestResult.FAILED: "failed",
    TestResult.ABORTED: "was broken off",
}


def _alarms(check: Check, device: Device, state: UpsState) -> Iterator[Finding]:
    if state.alarms is None:
        return
    yield check.find(
        device.tag,
        Verdict.FAIL if state.alarms else Verdict.PASS,
        f"The supply has {count(state.alarms, 'alarm')}" if state.alarms else check.title,
        observed=f"{state.alarms}" + (f": {some(state.alarm_names)}" if state.alarm_names else ""),
        expected="0",
        evidence=state.lines,
        advice="Read its display or log; an alarm that stands hides the next one." if state.alarms else "",
    )


class _Entry(NamedTuple):
    """One check, for both ways."""

    name: str
    title: str
    judge: Judge
    why: str
    objects: str
    danger: int
    has_point: Callable[[Subject], bool]


def _named(field: str) -> Callable[[Subject], bool]:
    def has(subject: Subject) -> bool:
        rule = subject.profile.ups
        return rule is not None and subject.scope.survey is None and bool(getattr(rule, field))

    return has


_ENTRIES = (
    _Entry(
        "source",
        "The supply runs from the mains",
        _source,
        "Control power from a battery ends; then protection and communication may end with it.",
        "upsOutputSource, upsSecondsOnBattery",
        7,
        _named("on_battery"),
    ),
    _Entry(
        "charge",
        "The battery is charged",
        _charge,
        "An empty battery is found out at the next outage.",
        "upsEstimatedChargeRemaining, upsBatteryStatus",
        5,
        _named("charge"),
    ),
    _Entry(
        "minutes",
        "The battery lasts as long as the design asks",
        _minutes,
        "Breakers must be able to trip, and people to see, until the mains are back or all is safely off.",
        "upsEstimatedMinutesRemaining",
        5,
        lambda subject: subject.device.autonomy_min is not None and _named("minutes_left")(subject),
    ),
    _Entry(
        "test",
        "The last battery test passed",
        _test,
        "Batteries age unseen; only a test under load shows it.",
        "upsTestResultsSummary",
        5,
        _named("test"),
    ),
)


def _by_profile(entry: _Entry) -> DeviceCheck:
    def run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
        state = from_readings(context)
        return () if state is None else entry.judge(check, context.device, state)

    return DeviceCheck(
        id=f"ups.{entry.name}",
        title=entry.title,
        needs=STANDING_VALUES,
        why=entry.why,
        source="points: profile; limit: map or common practice, no source",
        since="0.1",
        danger=entry.danger,
        where="supplies whose profile has such a point",
        run=run,
        applies=entry.has_point,
        required=lambda subject: False,
    )


def _by_snmp(entry: _Entry) -> LineupCheck:
    def judge(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterable[Finding]:
        state = from_snmp(view)
        names = tuple(view.texts("upsAlarmDescr").values())
        return entry.judge(check, context.map.by_tag[view.tag], state._replace(alarm_names=names))

    return agent_check(
        judge,
        id=f"ups.snmp_{entry.name}",
        title=entry.title,
        lacks="RFC 1628 (UPS-MIB)",
        why=entry.why,
        source=f"RFC 1628 (UPS-MIB: {entry.objects}); limit: map or common practice, no source",
        danger=entry.danger,
        kind=Kind.UPS,
    )


_ALARMS = _Entry(
    "alarms",
    "The supply has no alarm",
    _alarms,
    "An alarm that stands at hand-over hides the next one.",
    "upsAlarmsPresent",
    5,
    lambda subject: False,
)

DEVICE_CHECKS: tuple[DeviceCheck, ...] = tuple(_by_profile(entry) for entry in _ENTRIES)
LINEUP_CHECKS: tuple[LineupCheck, ...] = tuple(_by_snmp(entry) for entry in (*_ENTRIES, _ALARMS))
