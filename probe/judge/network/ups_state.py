"""How a supply and its battery stand, whoever told it: the Modbus profile or the UPS-MIB.

Source: RFC 1628 (UPS-MIB): upsBatteryStatus, upsSecondsOnBattery, upsEstimatedMinutesRemaining,
upsEstimatedChargeRemaining, upsOutputSource, upsAlarmsPresent, upsTestResultsSummary.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from probe.judge.context import DeviceContext
from probe.judge.limit import Interval, around
from probe.judge.network.switch_view import SwitchView
from probe.model.reading import Reading

_SOURCES = {1: "other", 2: "none", 3: "normal", 4: "bypass", 5: "battery", 6: "booster", 7: "reducer"}
_BATTERY = {1: "unknown", 2: "normal", 3: "low", 4: "depleted"}


class TestResult(StrEnum):
    """Result of the last battery test."""

    __test__ = False  # no class of tests

    PASSED = "passed"
    WARNING = "passed with a warning"
    FAILED = "failed"
    ABORTED = "aborted"
    RUNNING = "in progress"
    NONE = "none was made"


#: upsTestResultsSummary.
_RESULTS = {
    1: TestResult.PASSED,
    2: TestResult.WARNING,
    3: TestResult.FAILED,
    4: TestResult.ABORTED,
    5: TestResult.RUNNING,
    6: TestResult.NONE,
}


class UpsState(NamedTuple):
    """What is known; None where nobody told it.

    source: words of the output's source, empty if not told. battery: words of its status. charge: percent,
    minutes: left at this load. alarms: how many are present. lines: of the record, by field.
    """

    on_battery: bool | None = None
    source: str = ""
    battery: str = ""
    charge: Interval | None = None
    minutes: Interval | None = None
    test: TestResult | None = None
    alarms: int | None = None
    alarm_names: tuple[str, ...] = ()
    lines: tuple[int, ...] = ()


def from_snmp(view: SwitchView) -> UpsState:
    """The state as the UPS-MIB tells it; whole minutes and percents carry half a unit of doubt."""
    source = view.whole("upsOutputSource")
    seconds = view.whole("upsSecondsOnBattery")
    on_battery = None if source is None and seconds is None else source == 5 or bool(seconds)
    return UpsState(
        on_battery=on_battery,
        source="" if source is None else _SOURCES.get(source, f"{source}, which the MIB does not know"),
        battery=_BATTERY.get(view.whole("upsBatteryStatus") or 0, ""),
        charge=_rounded(view.whole("upsEstimatedChargeRemaining")),
        minutes=_rounded(view.whole("upsEstimatedMinutesRemaining")),
        test=_RESULTS.get(view.whole("upsTestResultsSummary") or 0),
        alarms=view.whole("upsAlarmsPresent"),
        lines=tuple(number for number, one in view.answers if one.object.startswith("UPS"))[:3],
    )


def _rounded(value: int | None) -> Interval | None:
    return None if value is None else around(float(value), 0.5)


def from_readings(context: DeviceContext) -> UpsState | None:
    """The state as the profile's points tell it; None where the profile names none or none was read."""
    rule = context.profile.ups
    if rule is None:
        return None
    said = context.latest(rule.on_battery)
    charge, minutes = _latest(context, rule.charge), _latest(context, rule.minutes_left)
    test = _latest(context, rule.test)
    readings = [one for one in (said, charge, minutes, test) if one is not None]
    if not readings:
        return None
    return UpsState(
        on_battery=None if said is None else bool(said.value),
        charge=_interval(context, rule.charge, charge),
        minutes=_interval(context, rule.minutes_left, minutes),
        test=_result(test, rule.test_passed, rule.test_failed),
        lines=tuple(sorted({one.sequence for one in readings})),
    )


def _latest(context: DeviceContext, name: str) -> Reading | None:
    return context.latest(name) if name else None


def _interval(context: DeviceContext, name: str, reading: Reading | None) -> Interval | None:
    if reading is None or isinstance(reading.value, str):
        return None
    return around(float(reading.value), 0.5 * 10.0 ** -context.point(name).decimals)


def _result(reading: Reading | None, passed: tuple[int, ...], failed: tuple[int, ...]) -> TestResult | None:
    if reading is None or not isinstance(reading.value, int):
        return None
    if reading.value in passed:
        return TestResult.PASSED
    return TestResult.FAILED if reading.value in failed else TestResult.NONE
