"""Does the gear stand as it should: position, breaker, maintenance mode, communication of its buses."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import VALUES, DeviceCheck, Subject
from probe.judge.context import DeviceContext
from probe.judge.limit import same_text
from probe.judge.traits import traits_of
from probe.judge.wording import AT_THE_GEAR
from probe.model.finding import Finding, Verdict
from probe.model.profile import StateRule
from probe.model.reading import Reading

_ADVICE = {
    "breaker": "Do not operate it to make this agree. Ask who operated it and whether a circuit is live that "
    f"should be dead. {AT_THE_GEAR}",
    "position": "A breaker in another position than drawn may be connected where people expect it "
    "withdrawn. Look "
    f"at its indicator, do not rack it to make this agree. {AT_THE_GEAR}",
}


def state_of(rule: StateRule, reading: Reading) -> str:
    """Name of the state that a reading means; empty if it means none."""
    raw = int(reading.value)
    shown = raw & rule.mask if rule.mask else raw
    return next((name for name, values in rule.means.items() if shown in values), "")


def rules_for(context: DeviceContext, state: str) -> list[StateRule]:
    """The profile's rules for a state (communication has one for each bus)."""
    return [rule for rule in context.profile.states if rule.state == state]


def current(context: DeviceContext, state: str) -> tuple[str, StateRule, Reading] | None:
    """The latest state, its rule and reading; None if it was not read."""
    for rule in rules_for(context, state):
        reading = context.latest(rule.point)
        if reading is not None:
            return state_of(rule, reading), rule, reading
    return None


def _expected(state: str, danger: int) -> object:
    def run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
        wanted = getattr(context.device.state, state)
        seen = current(context, state)
        if wanted is None or seen is None:
            return
        name, rule, reading = seen
        if not name:
            yield _unknown(check, context, rule, reading)
            return
        verdict = same_text(name, wanted)
        right = verdict is Verdict.PASS
        yield check.find(
            context.tag,
            verdict,
            f"{state.capitalize()} is {name}"
            if right
            else f"{state.capitalize()} is {name}, should be {wanted}",
            observed=name,
            expected=wanted,
            danger=danger,
            point=rule.point,
            evidence=(reading.sequence,),
            advice="" if right else _ADVICE[state],
        )

    return run


def _unknown(check: DeviceCheck, context: DeviceContext, rule: StateRule, reading: Reading) -> Finding:
    return check.find(
        context.tag,
        Verdict.REVIEW,
        f"{rule.state.capitalize()}: the device shows a state that means nothing",
        observed=f"{reading.value}",
        expected=" or ".join(rule.means),
        point=rule.point,
        evidence=(reading.sequence,),
        advice="Take the device's own indicator for true, not this value. Look the code up in its register "
        "list.",
    )


def _maintenance(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    seen = current(context, "maintenance")
    if seen is None:
        return
    name, rule, reading = seen
    if not name:
        yield _unknown(check, context, rule, reading)
        return
    wanted = context.device.state.maintenance
    verdict = same_text(name, wanted or "off")
    if verdict is Verdict.FAIL and wanted is None:
        verdict = Verdict.REVIEW
    yield check.find(
        context.tag,
        verdict,
        f"Maintenance mode is {name}" + ("" if wanted or name == "off" else ", and the map does not say why"),
        observed=name,
        expected=wanted or "off, unless the map says otherwise",
        point=rule.point,
        evidence=(reading.sequence,),
        advice="" if verdict is Verdict.PASS else _maintenance_advice(name),
    )


def _maintenance_advice(name: str) -> str:
    if name == "on":
        return (
            "With maintenance mode on the breaker trips sooner and does not coordinate: ask first whether "
            "people "
            "are working downstream under its protection. Never switch it off without them."
        )
    return (
        "Maintenance mode is off where the map wants it on: people may believe in a protection that is not "
        "there. "
        "Tell them now, before anything else."
    )


def _communication(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    position = current(context, "position")
    if position is not None and position[0] == "withdrawn":
        yield check.untested(context.tag, "the breaker is withdrawn, so its buses need not communicate")
        return
    for rule in rules_for(context, "communication"):
        reading = context.latest(rule.point)
        if reading is None:
            continue
        name = state_of(rule, reading)
        if not name:
            yield _unknown(check, context, rule, reading)
            continue
        right = same_text(name, "ok") is Verdict.PASS
        bus = f" of bus {rule.bus}" if rule.bus else ""
        yield check.find(
            context.tag,
            Verdict.PASS if right else Verdict.FAIL,
            f"Communication{bus} is {name}",
            observed=name,
            expected="ok",
            point=rule.bus or rule.point,
            evidence=(reading.sequence,),
            advice=""
            if right
            else "The device itself reports this bus as lost: follow that bus to its next device; the "
            "answer came "
            "over another way.",
        )


def _has_rule(state: str) -> object:
    def applies(subject: Subject) -> bool:
        return state in traits_of(subject.profile).states

    return applies


def _is_stated(state: str) -> object:
    def applies(subject: Subject) -> bool:
        return getattr(subject.device.state, state) is not None

    return applies


def _communicates(subject: Subject) -> bool:
    return (
        "communication" in traits_of(subject.profile).states and subject.device.state.position != "withdrawn"
    )


POSITION = DeviceCheck(
    id="state.position",
    title="Position as the map says",
    needs=VALUES,
    why="A breaker thought withdrawn that is connected can feed a circuit that people work on.",
    source="rule: map",
    since="0.1",
    danger=9,
    where="devices for which the map states a position",
    run=_expected("position", 9),  # type: ignore[arg-type]
    applies=_is_stated("position"),  # type: ignore[arg-type]
)
BREAKER = DeviceCheck(
    id="state.breaker",
    title="Breaker as the map says",
    needs=VALUES,
    why="A breaker thought open that is closed feeds a circuit that people work on.",
    source="rule: map",
    since="0.1",
    danger=9,
    where="devices for which the map states open, closed or tripped",
    run=_expected("breaker", 9),  # type: ignore[arg-type]
    applies=_is_stated("breaker"),  # type: ignore[arg-type]
)
MAINTENANCE = DeviceCheck(
    id="state.maintenance",
    title="Maintenance mode as the map says",
    needs=VALUES,
    why="Maintenance mode lowers the arc energy for people who work, and takes coordination away from "
    "everyone "
    "else: both a false on and a false off can hurt.",
    source="National Electrical Code 240.87 (energy-reducing maintenance switching; list of methods from "
    "memory); "
    "rule: map",
    since="0.1",
    danger=8,
    where="devices whose profile shows maintenance mode",
    run=_maintenance,
    applies=_has_rule("maintenance"),  # type: ignore[arg-type]
)
COMMUNICATION = DeviceCheck(
    id="state.communication",
    title="Both buses communicate",
    needs=VALUES,
    why="With one of two buses lost, the next fault takes remote control and alarms away.",
    source="common practice, no source",
    since="0.1",
    danger=5,
    where="devices whose profile shows communication flags, unless the map says withdrawn",
    run=_communication,
    applies=_communicates,
)
