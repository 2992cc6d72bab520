"""Checks on the protective settings of one device. All compare with the engineers' study; none is a study."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from probe.judge.check import STANDING_VALUES, VALUES, DeviceCheck, Need, Subject
from probe.judge.context import DeviceContext
from probe.judge.limit import same_text
from probe.judge.settings.as_found import as_found
from probe.judge.settings.compare import Sides, compare
from probe.judge.settings.difference import NOISE, Kind
from probe.judge.settings.row import Row, figure, in_order
from probe.judge.wording import AT_THE_GEAR, count
from probe.model.finding import Finding, Verdict
from probe.model.protection import FunctionSetting, RatingBases
from probe.model.reading import Reading
from probe.model.setting_rule import Level, Timing

#: Stands in every advice about a setting.
ONLY_ENGINEERS = (
    "This is a comparison with the engineers' study, not a study: a change of a protective setting belongs "
    "to licensed engineers. Until it is cleared up, take the arc flash label of this circuit for wrong: a "
    f"breaker that trips later lets more energy through. {AT_THE_GEAR}"
)
_ADVICE = {
    Kind.NOT_STATED: "Ask the engineers what they want here; the study is silent.",
    Kind.NOT_READ: "Read it at the breaker's own display and write it down beside this finding.",
    Kind.UNCLEAR: "Compare it at the breaker's own display with the study's own words.",
}


def sides_of(context: DeviceContext) -> Sides | None:
    """Both sides of the device's comparison; None if one of them is missing."""
    rule, found = context.profile.settings, as_found(context)
    study = context.lineup.studies.get(context.tag)
    studied = None if study is None else study.devices.get(context.tag)
    if rule is None or found is None or study is None or studied is None:
        return None
    ratings = context.device.ratings
    return Sides(
        tag=context.tag,
        rule=rule,
        found=found,
        study=study,
        studied=studied,
        sensor_a=ratings.sensor_a,
        plug_a=ratings.plug_a,
        frequency_hz=context.map.system.frequency_hz,
    )


def rows_of(context: DeviceContext) -> tuple[Row, ...]:
    """Every setting of the device beside the study; none where a side is missing."""
    sides = sides_of(context)
    return () if sides is None else compare(sides)


def why_no_rows(context: DeviceContext) -> str:
    """Why the device's settings cannot be compared, "" if they can."""
    study = context.lineup.studies.get(context.tag)
    if study is None:
        return "the map names no study for it"
    if context.tag in study.refused:
        return study.refused[context.tag]
    if context.tag not in study.devices:
        return "the study has no settings for it"
    if context.profile.settings is None:
        return f"profile {context.profile.name} does not say where its settings stand"
    return ""


def _run_study(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    why = why_no_rows(context)
    if why:
        yield check.untested(context.tag, why, advice=_ADVICE[Kind.NOT_READ])
        return
    if not context.blocks:
        return
    rows = rows_of(context)
    passed = [row for row in rows if row.verdict is Verdict.PASS]
    for row in in_order([row for row in rows if row.verdict is not Verdict.PASS]):
        yield _finding(check, row)
    if passed:
        yield _passed(check, context, rows, passed)


def _finding(check: DeviceCheck, row: Row) -> Finding:
    if row.kind is Kind.NOT_READ:
        return check.untested(
            row.tag, f"{row.name}: {row.note or 'not read'}", point=row.point, advice=_ADVICE[Kind.NOT_READ]
        )
    allowed = f" ({row.allowed} allowed)" if row.allowed else ""
    note = f"{row.note[:1].upper()}{row.note[1:]}. " if row.note else ""
    return check.find(
        row.tag,
        row.verdict,
        f"{row.name}: {row.kind.value}",
        danger=row.danger,
        observed=row.found or "it is there",
        expected=f"{row.studied}{allowed}" or "not stated",
        unit=row.unit,
        point=row.point,
        evidence=row.evidence,
        advice=f"{note}{_ADVICE.get(row.kind, ONLY_ENGINEERS)}",
    )


def _passed(check: DeviceCheck, context: DeviceContext, rows: tuple[Row, ...], passed: list[Row]) -> Finding:
    rounded = [row for row in passed if row.kind is Kind.ROUNDED]
    named = "; ".join(
        f"{row.name} {row.found} for {row.studied} {row.unit}, rounded to its step of {row.step}"
        for row in rounded
    )
    return check.find(
        context.tag,
        Verdict.PASS,
        "Settings as the study asks" if len(passed) == len(rows) else "The other settings as the study asks",
        observed=f"{len(passed)} of {count(len(rows), 'setting')} agree" + (f" ({named})" if named else ""),
        expected=context.lineup.studies[context.tag].label,
        evidence=tuple(dict.fromkeys(number for row in passed for number in row.evidence)),
    )


# -- can the study be set ---------------------------------------------------------------------------------


def _run_settable(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    sides = sides_of(context)
    if sides is None or not context.blocks:
        return
    impossible = [*_impossible(check, sides)]
    yield from impossible
    if not impossible:
        yield check.find(context.tag, Verdict.PASS, "The device can be set to what the study asks")


def _impossible(check: DeviceCheck, sides: Sides) -> Iterator[Finding]:
    """Studied pickups and delays outside what the device can be set to."""
    bases = RatingBases(sensor_a=sides.found.sensor.number, plug_a=sides.found.plug.number)
    for name, group in sides.rule.groups.items():
        studied = sides.studied_group(name)
        long_time = studied.get("long_time")
        known = RatingBases(
            sensor_a=bases.sensor_a, plug_a=bases.plug_a, pickup_a=long_time.pickup_a if long_time else None
        )
        for function, setting in studied.items():
            rule = group.functions.get(function)
            if rule is None or function not in group.own or setting.enabled is False:
                continue
            base = known.of(rule.pickup.base)
            if base is not None and setting.pickup_a is not None:
                yield from _outside(check, sides.tag, rule.pickup, setting.pickup_a, base, "A")
            timing = rule.delay
            if timing is not None and setting.delay is not None and _counts_alike(timing, setting):
                level = Level(point=timing.point, low=timing.low, high=timing.high)
                yield from _outside(check, sides.tag, level, setting.delay, 1.0, setting.delay_unit)


def _counts_alike(timing: Timing, setting: FunctionSetting) -> bool:
    """True if study and device count the delay at the same current, so that its range can be asked."""
    return not setting.multiple or (timing.multiple, timing.base) == (setting.multiple, setting.base)


def _outside(
    check: DeviceCheck, tag: str, level: Level, studied: float, base: float, unit: str
) -> Iterator[Finding]:
    low = None if level.low is None else level.low * base
    high = None if level.high is None else level.high * base
    below = low is not None and studied < low * (1 - NOISE)
    above = high is not None and studied > high * (1 + NOISE)
    if not below and not above:
        return
    ends = f"{figure(low) if low is not None else 'any'} to {figure(high) if high is not None else 'any'}"
    yield check.find(
        tag,
        Verdict.FAIL,
        f"The study asks for a setting {'below' if below else 'above'} what the device can be set to",
        observed=f"can be set to {ends}",
        expected=figure(studied),
        unit=unit,
        point=level.point,
        advice="Send it back to the engineers: the study was made for another device, sensor or plug. "
        "Do not settle on the nearest value yourself.",
    )


# -- groups, network, change ------------------------------------------------------------------------------


def _run_active(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    found, sides = as_found(context), sides_of(context)
    if found is None or found.active is None or sides is None:
        return
    seen = found.active
    if not seen.word:
        if seen.sequence:
            yield check.find(context.tag, Verdict.REVIEW, "Which setting group is in force cannot be told",
                             observed=seen.why, advice="Read it at the breaker's own display.",
                             evidence=(seen.sequence,))  # fmt: skip
        return
    wanted = sides.studied.active or "normal"
    verdict = same_text(seen.word, wanted)
    point = sides.rule.active.point if sides.rule.active else ""
    yield check.find(
        context.tag,
        verdict,
        f"The {seen.word} setting group is in force"
        + ("" if verdict is Verdict.PASS else f", should be the {wanted} one"),
        observed=seen.word,
        expected=wanted,
        point=point,
        evidence=(seen.sequence,),
        advice="" if verdict is Verdict.PASS else f"Ask who changed it and why. {ONLY_ENGINEERS}",
    )


def _run_writing(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    found, rule = as_found(context), context.profile.settings
    if found is None or found.writing is None or rule is None or rule.writing is None:
        return
    seen, sides = found.writing, sides_of(context)
    if not seen.word:
        return
    stated = None if sides is None else sides.studied.writing
    wanted = "on" if stated else "off"
    verdict = same_text(seen.word, wanted)
    if verdict is Verdict.FAIL and stated is None:
        verdict = Verdict.REVIEW
    yield check.find(
        context.tag,
        verdict,
        f"Writing of settings over the network is {seen.word}",
        observed=seen.word,
        expected=wanted if stated is not None else "off, unless the study says otherwise",
        point=rule.writing.point,
        evidence=(seen.sequence,),
        advice=""
        if verdict is Verdict.PASS
        else "Whoever reaches this network can change the protection. Have it switched off at the device.",
    )


def _run_steady(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    rule = context.profile.settings
    if rule is None:
        return
    twice = {name: readings for name in rule.points() if len(readings := context.good(name)) > 1}
    changed = [(name, first, last) for name, (first, *_, last) in twice.items() if first.value != last.value]
    for name, first, last in changed:
        yield _changed(check, context, name, first, last)
    if twice and not changed:
        observed = f"{count(len(twice), 'setting')} read twice"
        yield check.find(
            context.tag, Verdict.PASS, "Settings did not change while we looked", observed=observed
        )


def _changed(check: DeviceCheck, context: DeviceContext, name: str, first: Reading, last: Reading) -> Finding:
    point = context.point(name)
    return check.find(
        context.tag,
        Verdict.FAIL,
        f"{point.title} changed between two readings",
        observed=f"{first.value} then {last.value}",
        expected="the same twice",
        unit=point.unit,
        point=name,
        evidence=(first.sequence, last.sequence),
        advice="Somebody is changing settings now, or the device does. Stop and find out who before anything "
        "else is relied on.",
    )


# -- registration -----------------------------------------------------------------------------------------


def _is_studied(subject: Subject) -> bool:
    """True if a study speaks of this lineup and the device is one that has settings."""
    study = subject.lineup.studies.get(subject.device.tag)
    if study is None:
        return False
    return subject.device.tag in study.tags or subject.profile.settings is not None


def _has_entry(subject: Subject) -> bool:
    study = subject.lineup.studies.get(subject.device.tag)
    return study is not None and subject.device.tag in study.devices and subject.profile.settings is not None


def _tells_active(subject: Subject) -> bool:
    rule = subject.profile.settings
    return _has_entry(subject) and rule is not None and rule.active is not None


def _tells_writing(subject: Subject) -> bool:
    rule = subject.profile.settings
    return rule is not None and rule.writing is not None


def _reads_twice(subject: Subject) -> bool:
    if subject.profile.settings is None or subject.scope.quick:
        return False
    return subject.scope.dwell_s > 0 or (
        subject.scope.settings_only and subject.profile.freshness is not None
    )


STUDY = DeviceCheck(
    id="settings.study",
    title="Settings as the study asks",
    needs=STANDING_VALUES,
    why="A setting that is higher or slower than the study lets a fault burn longer than the label on the "
    "door says; one that is lower or faster blacks out a plant.",
    source="rule: map (the study that it names); tolerance where it states none: common practice, no source",
    since="0.1",
    danger=9,
    where="devices that a study speaks of, or whose profile shows settings in a lineup with a study",
    run=_run_study,
    applies=_is_studied,
    required=_has_entry,
)
SETTABLE = DeviceCheck(
    id="settings.settable",
    title="The device can be set to what the study asks",
    needs=STANDING_VALUES,
    why="What a device cannot be set to somebody will replace by what it can, and nobody has studied that.",
    source="profile (range of each setting); rule: map (the study that it names)",
    since="0.1",
    danger=7,
    where="devices with settings in the study and in their profile",
    run=_run_settable,
    applies=_has_entry,
    required=lambda subject: False,
)
ACTIVE = DeviceCheck(
    id="settings.active_group",
    title="Setting group in force as studied",
    needs=VALUES,
    why="With the wrong group in force all settings of the right one mean nothing.",
    source="rule: map (the study that it names)",
    since="0.1",
    danger=9,
    where="studied devices whose profile shows the group in force",
    run=_run_active,
    applies=_tells_active,
)
WRITING = DeviceCheck(
    id="settings.network_writing",
    title="Settings cannot be written over the network",
    needs=VALUES,
    why="Protection that can be changed from the network can be switched off from it, by mistake or on "
    "purpose.",
    source="common practice, no source; rule: map (the study that it names)",
    since="0.1",
    danger=6,
    where="devices whose profile shows whether settings can be written over the network",
    run=_run_writing,
    applies=_tells_writing,
    required=lambda subject: False,
)
STEADY = DeviceCheck(
    id="settings.steady",
    title="Settings did not change while we looked",
    needs=(*STANDING_VALUES, Need.ROUNDS),
    why="Settings that change while they are read are being changed by somebody.",
    source="common practice, no source",
    since="0.1",
    danger=8,
    where="devices whose profile shows settings that are read twice (settings command, or with --dwell)",
    run=_run_steady,
    applies=_reads_twice,
    required=lambda subject: False,
)
CHECKS = (STUDY, SETTABLE, ACTIVE, WRITING, STEADY)
