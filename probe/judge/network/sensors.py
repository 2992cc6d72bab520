"""Temperature, supplies and power over Ethernet of a switch, where the standard MIBs tell them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from probe.judge.check import LineupCheck
from probe.judge.limit import around, within
from probe.judge.lineup_context import LineupContext
from probe.judge.network.switch_check import agent_check
from probe.judge.network.switch_view import SwitchView
from probe.judge.wording import AT_THE_GEAR, some
from probe.model.finding import Finding, Verdict

#: EntitySensorDataType. Source: RFC 3433 (ENTITY-SENSOR-MIB), from memory.
_UNITS = {3: "V AC", 4: "V DC", 5: "A", 6: "W", 7: "Hz", 8: "°C", 9: "% RH", 10: "rpm", 11: "m3/min", 12: ""}
_CELSIUS, _TRUTH = 8, 12
#: EntitySensorDataScale: 9 is units, each step a thousand. Source: as above.
_SCALE_UNITS = 9
_OK, _UNAVAILABLE = 1, 2
#: Above it somebody should look; common practice, no source.
WARM_C = 70.0
_FALSE = 2  # TruthValue


class Sensor(NamedTuple):
    """One sensor. value: in ``unit``; step: of its last digit; state: entPhySensorOperStatus (1 is ok)."""

    name: str
    type: int
    value: float
    step: float
    unit: str
    state: int

    @property
    def words(self) -> str:
        """``Board 41.5 °C``."""
        if self.type == _TRUTH:
            return f"{self.name} {'no' if self.value == _FALSE else 'yes'}"
        return f"{self.name} {self.value:g} {self.unit}".rstrip()


def sensors(view: SwitchView) -> Iterator[Sensor]:
    """All sensors that the switch tells. Source: RFC 3433 (ENTITY-SENSOR-MIB)."""
    types = view.numbers("entPhySensorType")
    scales, digits = view.numbers("entPhySensorScale"), view.numbers("entPhySensorPrecision")
    values, states = view.numbers("entPhySensorValue"), view.numbers("entPhySensorOperStatus")
    for index, kind in types.items():
        if index not in values:
            continue
        # Bounded by the type (scale 1..17, precision -8..9): what an agent says beyond is not followed.
        scale = min(max(scales.get(index, _SCALE_UNITS), 1), 17)
        decimals = min(max(digits.get(index, 0), 0), 9)
        step = 10.0 ** (3 * (scale - _SCALE_UNITS) - decimals)
        name = view.texts_of("entPhysicalName", index) or view.texts_of("entPhysicalDescr", index)
        yield Sensor(
            name=name or f"sensor {'.'.join(map(str, index))}",
            type=kind,
            value=round(values[index] * step, 12),
            step=step,
            unit=_UNITS.get(kind, ""),
            state=states.get(index, 0),
        )


def _warmth(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    warm = [one for one in sensors(view) if one.type == _CELSIUS and one.state == _OK]
    lines = view.lines("entPhySensorValue")[:2]
    hot = []
    for one in warm:
        verdict = within(around(one.value, one.step / 2), None, WARM_C)
        if verdict is not Verdict.PASS:
            hot.append(one)
            yield check.find(
                view.tag,
                Verdict.REVIEW,
                f"{one.name} is warm",
                observed=f"{one.value:g}",
                expected=f"at most {WARM_C:g}, or what its maker allows",
                unit="°C",
                uncertainty=f"±{one.step / 2:g} (last digit; the sensor's own error is not told)",
                point=one.name,
                evidence=lines,
                advice="Heat shortens the life of switches: look at the ventilation of the cubicle.",
            )
    if warm and not hot:
        hottest = max(warm, key=lambda one: one.value)
        yield check.find(
            view.tag,
            Verdict.PASS,
            check.title,
            observed=f"{hottest.value:g} ({hottest.name})",
            expected=f"at most {WARM_C:g}",
            unit="°C",
            uncertainty=f"±{hottest.step / 2:g} (last digit; the sensor's own error is not told)",
            evidence=lines,
        )


def _working(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    told = list(sensors(view))
    lines = view.lines("entPhySensorOperStatus")[:2]
    bad = [one for one in told if one.state not in (_OK, _UNAVAILABLE)]
    for one in bad:
        yield check.find(
            view.tag,
            Verdict.FAIL,
            f"Sensor {one.name} does not work",
            observed="not operational",
            expected="ok",
            point=one.name,
            evidence=lines,
            advice=f"What it should watch (heat, a fan, a supply) is unwatched. {AT_THE_GEAR}",
        )
    if told and not bad:
        yield check.find(
            view.tag,
            Verdict.PASS,
            check.title,
            observed=some([one.words for one in told], 6),
            evidence=lines,
        )


def _power(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterable[Finding]:
    """Source: RFC 3621 (POWER-ETHERNET-MIB): operational status on(1), off(2), faulty(3)."""
    given = view.numbers("pethMainPsePower")
    used = view.numbers("pethMainPseConsumptionPower")
    states = view.numbers("pethMainPseOperStatus")
    limits = view.numbers("pethMainPseUsageThreshold")
    for index, watts in given.items():
        taken, limit = used.get(index, 0), limits.get(index, 0) or 80
        over = bool(watts) and taken * 100 > watts * limit
        faulty = states.get(index) == 3
        verdict = Verdict.FAIL if faulty else (Verdict.REVIEW if over else Verdict.PASS)
        yield check.find(
            view.tag,
            verdict,
            {
                Verdict.FAIL: "Power over Ethernet is faulty",
                Verdict.REVIEW: "Power over Ethernet is nearly used up",
                Verdict.PASS: check.title,
            }[verdict],
            observed=f"{taken} of {watts}",
            expected=f"at most {limit} % of {watts}",
            unit="W",
            point=".".join(map(str, index)) if len(given) > 1 else "",
            evidence=view.lines("pethMainPseConsumptionPower", "pethMainPseOperStatus")[:2],
            advice=""
            if verdict is Verdict.PASS
            else "Devices fed over their network cable will go dark: count what hangs on this switch.",
        )


CHECKS: tuple[LineupCheck, ...] = (
    agent_check(
        _warmth,
        id="switch.temperature",
        title="The switch is not too warm",
        lacks="temperatures of RFC 3433 (ENTITY-SENSOR-MIB)",
        why="Switches in closed cubicles die of heat, first in the hottest week of the year.",
        source="RFC 3433 (ENTITY-SENSOR-MIB); limit: common practice, no source",
        danger=2,
    ),
    agent_check(
        _working,
        id="switch.sensors",
        title="Sensors of the switch work",
        lacks="sensors of RFC 3433 (ENTITY-SENSOR-MIB)",
        why="A fan or second supply that fails is told by its sensor, if the sensor works.",
        source="RFC 3433 (ENTITY-SENSOR-MIB: entPhySensorOperStatus)",
        danger=3,
    ),
    agent_check(
        _power,
        id="switch.power",
        title="Power over Ethernet has room",
        lacks="RFC 3621 (POWER-ETHERNET-MIB)",
        why="When it is used up, the switch turns devices off as it likes.",
        source="RFC 3621 (POWER-ETHERNET-MIB)",
        danger=4,
    ),
)
