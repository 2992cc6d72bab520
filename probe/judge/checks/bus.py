"""Who answers for units that the map does not hold: nobody, a stranger, or one server for everybody."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.blocks import block_of
from probe.judge.check import DeviceCheck, Need, Subject
from probe.judge.context import DeviceContext, Numbered
from probe.judge.held_up import stall_of, stalls_of
from probe.judge.limit import exactly, within
from probe.judge.reach import GATEWAY_CODES
from probe.judge.wording import count, listed
from probe.model.device_map import Kind
from probe.model.evidence import Exchange, Outcome
from probe.model.finding import Finding, Verdict
from probe.model.pdu import unit_of

NO_TARGET = 0x0B


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    asked = [n for n in context.absent_units if n[1].outcome is not Outcome.NOT_SENT]
    answering = [n for n in asked if _answers(n[1])]
    if not asked or not (context.reach.is_alive or answering):
        return
    if not answering:
        yield _nobody(check, context, asked)
    elif all(_same_as_own(context, numbered) for numbered in answering) and len(answering) == len(asked):
        yield _everybody(check, context, answering)
    else:
        yield _stranger(check, context, answering)


def _answers(exchange: Exchange) -> bool:
    """True if a unit answered: data, or an exception that no gateway gives."""
    if exchange.outcome is Outcome.EXCEPTION:
        return exchange.exception_code not in GATEWAY_CODES
    return exchange.outcome is Outcome.DATA


def _same_as_own(context: DeviceContext, numbered: Numbered) -> bool:
    """True if the absent unit gave what the device itself shows at that address (or refused as it does)."""
    sequence, exchange = numbered
    block = block_of(sequence, exchange, context.device.register_shift)
    if block is None:
        return any(
            e.outcome is Outcome.EXCEPTION and e.exception_code == exchange.exception_code
            for _, e in context.sent
        )
    own = [
        raw
        for other in context.blocks
        if other.function == block.function and (raw := other.raw(block.start, block.size)) is not None
    ]
    return block.raw(block.start, block.size) in own


def _units(asked: Iterable[Numbered]) -> str:
    return listed(str(unit_of(exchange.request, exchange.framing)) for _, exchange in asked)


def _nobody(check: DeviceCheck, context: DeviceContext, asked: list[Numbered]) -> Finding:
    silent = [n for n in asked if n[1].outcome is Outcome.NO_ANSWER]
    text = "no answer" if silent else "refused, as it should be"
    return check.find(
        context.tag,
        Verdict.PASS,
        "Nobody answers for units that the map does not hold",
        observed=f"unit {_units(asked)}: {text}",
        expected="no unit answers",
        evidence=tuple(seq for seq, _ in asked),
    )


def units_here(context: DeviceContext) -> int:
    """Units that the map holds on this device's link."""
    link = context.target.link
    return sum(context.map.target(device.tag).link == link for device in context.map.devices)


def _everybody(check: DeviceCheck, context: DeviceContext, answering: list[Numbered]) -> Finding:
    alone = units_here(context) == 1
    context.memory["answers for all"] = not alone
    return check.find(
        context.tag,
        Verdict.PASS if alone else Verdict.FAIL,
        "Answers for every unit number (harmless: the map holds one unit here)"
        if alone
        else "Answers for every unit number alike",
        observed=f"unit {_units(answering)} answered like this device",
        expected="one unit here" if alone else "silence for units that the map does not hold",
        evidence=tuple(seq for seq, _ in answering),
        advice=""
        if alone
        else "Units of this address cannot be told apart by their number: what the map shows as several "
        "devices may "
        "be one. Compare serial numbers, and look at the unit setting of the server.",
    )


def _stranger(check: DeviceCheck, context: DeviceContext, answering: list[Numbered]) -> Finding:
    return check.find(
        context.tag,
        Verdict.FAIL,
        f"{count(len(answering), 'unit')} answered that the map does not hold",
        observed=f"unit {_units(answering)}",
        expected="no unit answers",
        evidence=tuple(seq for seq, _ in answering),
        advice="Find out what it is before anything else is done on this line: a device that the drawings "
        "miss, one "
        "with a wrong address, or a left-over of the installation. Two devices with one address disturb "
        "each other.",
    )


def _applies(subject: Subject) -> bool:
    return subject.device.kind is Kind.GATEWAY and bool(subject.profile.points) and not subject.scope.quick


CHECK = DeviceCheck(
    id="bus.absent_units",
    title="Nobody answers for units that the map does not hold",
    needs=(Need.ABSENT_UNITS,),
    why="A server that answers for every number makes one device look like many; a unit that nobody knows "
    "of is "
    "asked, and perhaps operated, by mistake.",
    source="MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.4.1.2; MODBUS Application Protocol "
    "Specification V1.1b3, 7",
    since="0.1",
    danger=6,
    where="gateways, and the first device of every other link that was asked; not with --quick",
    run=_run,
    applies=_applies,
    required=lambda subject: False,
    unasked=True,
)


def _patience(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    told = [
        (seq, exchange)
        for seq, exchange in context.absent_units
        if exchange.outcome is Outcome.EXCEPTION and exchange.exception_code == NO_TARGET
    ]
    ours_s = _shortest_timeout(context) if told else None
    if ours_s is None:
        return
    seq, slow = max(told, key=lambda numbered: numbered[1].reply_ns)
    verdict = within(exactly(slow.reply_ns / 1e9), None, ours_s)
    right = verdict is Verdict.PASS
    if not right and (stall := stall_of(slow, stalls_of(context))):
        yield check.find(
            context.tag,
            Verdict.NOT_TESTED,
            "This computer was held up while the gateway's patience was measured",
            observed=f"{slow.reply_ns / 1e9:.2f}",
            expected=f"at most {ours_s:g}",
            unit="s",
            evidence=(stall, seq),
            advice="Close other programs and repeat.",
        )
        return
    yield check.find(
        context.tag,
        Verdict.PASS if right else Verdict.REVIEW,
        "The gateway gives up before we do"
        if right
        else "The gateway waits longer for a silent unit than we do",
        observed=f"{slow.reply_ns / 1e9:.2f}",
        expected=f"at most {ours_s:g}",
        unit="s",
        evidence=tuple(seq for seq, _ in told),
        advice=""
        if right
        else "Shorten the gateway's time-out, or lengthen the one in the profiles of its units: else the "
        "answer for "
        "a dead unit comes when the next one has been asked.",
    )


def _shortest_timeout(context: DeviceContext) -> float | None:
    """Shortest time-out, seconds, of the units behind this gateway; None without units."""
    if context.device.kind is not Kind.GATEWAY:
        return None  # without this, judging a run grows with the square of its devices
    units = [device for device in context.map.devices if device.address.via == context.tag]
    return min((context.lineup.profile_of(device).limits.timeout_s for device in units), default=None)


PATIENCE = DeviceCheck(
    id="bus.patience",
    title="The gateway gives up before we do",
    needs=(Need.ABSENT_UNITS,),
    why="A gateway that waits longer for a dead unit than its master does answers late, and everything "
    "behind it "
    "gets out of step.",
    source="common practice, no source (measured with a unit that does not exist)",
    since="0.1",
    danger=3,
    where="gateways with units that said that an absent unit is silent; not with --quick",
    run=_patience,
    applies=lambda subject: False,
    unasked=True,
)
