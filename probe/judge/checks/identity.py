"""Is it the device that the drawings show: maker, model, serial number, firmware, hardware address."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import DeviceCheck, Need, Subject
from probe.judge.context import DeviceContext
from probe.judge.identity import expected_identity, identity_of, serials_of
from probe.judge.limit import same_text
from probe.judge.proof import proof_fails
from probe.judge.version import matches
from probe.judge.wording import AT_THE_GEAR, listed
from probe.model.finding import Finding, Verdict

_WORDS = {"maker": "maker", "model": "model", "serial": "serial number"}


_BY_REGISTER = "it stands in registers, and the proof point does not fit"


def _field(field: str) -> object:
    def run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
        wanted = expected_identity(context.device, context.profile).get(field, "")
        seen = identity_of(context).get(field)
        if not wanted or seen is None:
            return
        verdict = same_text(seen.text, wanted)
        if seen.by_register and verdict is Verdict.FAIL and proof_fails(context):
            yield check.untested(context.tag, _BY_REGISTER)
            return
        right = verdict is Verdict.PASS
        yield check.find(
            context.tag,
            verdict,
            f"{_WORDS[field].capitalize()} as drawn" if right else f"Another {_WORDS[field]} than drawn",
            observed=seen.text or "(empty)",
            expected=wanted,
            evidence=(seen.sequence,),
            advice="" if right else _WRONG,
        )

    return run


_WRONG = (
    "This may be another device than the drawing shows: nothing may be concluded from its values, and "
    "nothing "
    "may be operated by them. Compare nameplate, tag and address; look whether two devices changed places. "
    f"{AT_THE_GEAR}"
)


def _firmware(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    wanted = expected_identity(context.device, context.profile).get("firmware", "")
    seen = identity_of(context).get("firmware")
    if not wanted or seen is None:
        return
    if seen.by_register and proof_fails(context):
        yield check.untested(context.tag, _BY_REGISTER)
        return
    verdict = matches(seen.text, wanted)
    title = {
        Verdict.PASS: "Firmware as wanted",
        Verdict.FAIL: "Firmware is not the wanted one",
        Verdict.REVIEW: "Firmware cannot be compared part by part",
    }[verdict]
    yield check.find(
        context.tag,
        verdict,
        title,
        observed=seen.text or "(empty)",
        expected=wanted,
        evidence=(seen.sequence,),
        advice=""
        if verdict is Verdict.PASS
        else "Ask the maker's release notes whether this version may stay; write the decision down.",
    )


def _hardware(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    wanted = context.device.hardware_address
    seen = {n.hardware_address.lower(): seq for seq, n in context.evidence.neighbours if n.hardware_address}
    if wanted is None or not seen:
        return
    if len(seen) > 1:
        yield check.find(
            context.tag,
            Verdict.FAIL,
            "Two hardware addresses answer for one IP address",
            observed=listed(seen),
            expected=wanted,
            evidence=tuple(seen.values()),
            advice="Two devices have the same IP address: find the second one by its hardware address in the "
            "switch's table and give it its own.",
        )
        return
    ((address, sequence),) = seen.items()
    verdict = same_text(address, wanted)
    yield check.find(
        context.tag,
        verdict,
        "Hardware address as drawn" if verdict is Verdict.PASS else "Another hardware address than drawn",
        observed=address,
        expected=wanted,
        evidence=(sequence,),
        advice=""
        if verdict is Verdict.PASS
        else "Another device, a replaced interface, or a router stands at this IP address: compare the "
        "label.",
    )


def _steady(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    """The serial numbers that answered, each with where it was read first, in that order."""
    seen: dict[str, int] = {}
    times = 0
    for said in serials_of(context):
        times += 1
        seen.setdefault(said.text, said.sequence)
    if times < 2:
        return
    if len(seen) == 1:
        yield check.find(
            context.tag,
            Verdict.PASS,
            "The same unit answered throughout",
            observed=f"{next(iter(seen)) or '(empty)'}, {times} times",
            evidence=tuple(seen.values()),
        )
        return
    yield check.find(
        context.tag,
        Verdict.REVIEW,
        "The serial number changed within the run",
        observed=listed([text or "(empty)" for text in seen]),
        expected="one serial number",
        evidence=tuple(seen.values()),
        advice="Two units on this line seem to have one number and answer in turn: none of their values can "
        "be given to either. Take one off the line and read again, then give it a number of its own. "
        f"{AT_THE_GEAR}",
    )


def _is_asked_again(subject: Subject) -> bool:
    """True for units on a serial line that tell a serial number, in a run that polls twice."""
    rule, scope = subject.profile.identity, subject.scope
    told = "serial" in {*rule.points, *rule.objects}
    short = scope.quick or scope.clocks_only or bool(scope.checks) or scope.survey is not None
    return told and not short and subject.lineup.map.target(subject.device.tag).on_bus


def _wants(field: str) -> object:
    def applies(subject: Subject) -> bool:
        stated = getattr(subject.device.identity, field)
        return bool(subject.profile.identity.expect.get(field) if stated is None else stated)

    return applies


def _identity(field: str, why: str, danger: int) -> DeviceCheck:
    return DeviceCheck(
        id=f"identity.{field}",
        title=f"{_WORDS[field].capitalize()} as drawn",
        needs=(Need.REPLIES,),
        why=why,
        source="MODBUS Application Protocol Specification V1.1b3, 6.21 (objects); rule: map and profile",
        since="0.1",
        danger=danger,
        where=f"devices whose map entry or profile says which {_WORDS[field]} is expected",
        run=_field(field),  # type: ignore[arg-type]
        applies=_wants(field),  # type: ignore[arg-type]
    )


MAKER = _identity("maker", "Another maker's device has another register map: every value would be false.", 8)
MODEL = _identity("model", "Another model may have other registers, ratings and trip curves.", 8)
SERIAL = _identity(
    "serial",
    "Two like devices in each other's cubicles answer perfectly: people would then open or trust the wrong "
    "breaker.",
    9,
)
STEADY = DeviceCheck(
    id="identity.steady",
    title="One unit answers throughout",
    needs=(Need.REPLIES,),
    why="Two units with one number that answer in turn need not collide: each reading may be of either one.",
    source="common practice, no source",
    since="0.2",
    danger=8,
    where="units on a serial line or behind a gateway whose profile says how they tell their serial number",
    run=_steady,
    applies=_is_asked_again,
    required=lambda subject: False,
    unasked=True,
)
FIRMWARE = DeviceCheck(
    id="identity.firmware",
    title="Firmware as wanted",
    needs=(Need.REPLIES,),
    why="Firmware decides which registers, settings and known faults a device has; a mixed lineup behaves "
    "differently breaker by breaker.",
    source="MODBUS Application Protocol Specification V1.1b3, 6.21 (objects); rule: map and profile",
    since="0.1",
    danger=4,
    where="devices whose map entry or profile says which firmware is expected",
    run=_firmware,
    applies=_wants("firmware"),  # type: ignore[arg-type]
)
HARDWARE = DeviceCheck(
    id="identity.hardware_address",
    title="Hardware address as drawn",
    needs=(Need.NEIGHBOURS,),
    why="The hardware address tells a replaced or doubled device that answers at the right IP address.",
    source="RFC 826 (address resolution; from memory)",
    since="0.1",
    danger=6,
    where="devices with a hardware address in the map and an IP address of their own",
    run=_hardware,
    applies=lambda subject: (
        subject.device.hardware_address is not None and subject.device.address.host is not None
    ),
    required=lambda subject: False,
)
