"""How the device replies: completely, at the first attempt, in good form, without exceptions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from probe.judge.check import DeviceCheck, Need
from probe.judge.context import DeviceContext
from probe.judge.limit import exactly, within
from probe.judge.reach import GATEWAY_CODES, MALFORMED
from probe.judge.statistic import share_bounds
from probe.judge.wording import count, first_bytes, listed, percent, some
from probe.model.evidence import Exchange, Outcome, Purpose
from probe.model.finding import Finding, Verdict, worst

#: Source: MODBUS Application Protocol Specification V1.1b3, 7.
EXCEPTION_NAMES = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "server device failure",
    0x05: "acknowledge",
    0x06: "server device busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target device failed to respond",
}
_BUSY = (0x05, 0x06)
_MAP_FAULT = (0x01, 0x02, 0x03)


def seen_points(context: DeviceContext) -> frozenset[str]:
    """Names of the points that any reply holds."""
    return context.seen.names


def _complete(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    if not context.blocks:
        return
    seen, missing = context.seen.names, _missing(context)
    if missing and context.evidence.interrupted:
        yield check.untested(context.tag, f"the run ended with {count(len(missing), 'value')} still to read")
        return
    total = len(seen) + len(missing)
    verdict = within(exactly(len(missing)), None, 0)
    yield check.find(
        context.tag,
        verdict,
        f"All {count(total, 'value')} read" if not missing else f"{len(missing)} of {total} values not read",
        observed=f"{len(seen)} of {total} read",
        expected="all",
        advice="" if not missing else f"Missing: {some(missing, 8)}. {_why_missing(context)}",
        evidence=() if not missing else tuple(seq for seq, e in context.sent if e.outcome is not _DATA)[:8],
    )


_DATA = Outcome.DATA


def _missing(context: DeviceContext) -> list[str]:
    """Points that a run reads (not the clock in a quick run) and that no reply holds."""
    missing = context.seen.missing
    return sorted(missing - context.traits.clock_atom if context.scope.quick else missing)


def _why_missing(context: DeviceContext) -> str:
    codes = {e.exception_code for _, e in context.sent if e.outcome is Outcome.EXCEPTION}
    if codes & set(_MAP_FAULT):
        return "The device refuses these addresses: the profile is for another version, or an option is not "
        "fitted."
    return "These requests were not answered: the device or the line gave up in between."


def _exceptions(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    if not context.reach.is_alive:
        return
    if context.is_clean:
        yield check.find(
            context.tag, Verdict.PASS, "No exceptions", observed=count(0, "exception"), expected="none"
        )
        return
    codes: Counter[int] = Counter()
    sequences: list[int] = []
    for sequence, exchange in context.sent:
        if exchange.outcome is Outcome.EXCEPTION and not _is_identity_refusal(exchange):
            codes[exchange.exception_code] += 1
            sequences.append(sequence)
    verdict = Verdict.PASS if not codes else worst({_weight(code) for code in codes})
    yield check.find(
        context.tag,
        verdict,
        "No exceptions" if not codes else f"Answers with {_named(codes)}",
        observed=count(codes.total(), "exception"),
        expected="none",
        evidence=tuple(sequences[:8]),
        advice=" ".join(_remedy(code) for code in sorted(codes)),
    )


def _is_identity_refusal(exchange: Exchange) -> bool:
    """A device need not support Read Device Identification; it then says so."""
    return exchange.purpose is Purpose.IDENTITY and exchange.exception_code in _MAP_FAULT


def _weight(code: int) -> Verdict:
    return Verdict.REVIEW if code in _BUSY or code in GATEWAY_CODES else Verdict.FAIL


def _named(codes: Counter[int]) -> str:
    return listed(
        f"exception {code:02X} ({EXCEPTION_NAMES.get(code, 'not in the standard')})" for code in sorted(codes)
    )


def _remedy(code: int) -> str:
    if code in _MAP_FAULT:
        return "The device does not have what the profile asks: compare profile and firmware."
    if code in _BUSY:
        return "The device was busy: another master may be asking too fast. Values came after a wait."
    if code in GATEWAY_CODES:
        return "The gateway lost this unit for a while: look at the serial line and at other masters."
    return "The device reports a fault of its own: read its event list, and have it looked at."


def _form(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    bad = [] if context.is_clean else [(s, e) for s, e in context.sent if e.outcome in MALFORMED]
    strays = context.evidence.strays
    if not bad and not strays and not context.reach.is_alive:
        return
    if not bad and not strays:
        yield check.find(context.tag, Verdict.PASS, "All replies in good form")
        return
    kinds = Counter(exchange.outcome.value for _, exchange in bad)
    kinds.update(stray.outcome.value for _, stray in strays)
    example = bad[0][1].response if bad else strays[0][1].data
    verdict = Verdict.FAIL if bad else Verdict.REVIEW
    yield check.find(
        context.tag,
        verdict,
        "Replies that do not match the request" if bad else "Replies that came late or unasked",
        observed=f"{_counted(kinds)}; first: {first_bytes(example)}",
        expected="none",
        evidence=tuple(seq for seq, _ in (*bad, *strays))[:8],
        advice=" ".join(dict.fromkeys(_FORM_ADVICE[kind] for kind in kinds if kind in _FORM_ADVICE))
        + " None of these bytes was taken for data.",
    )


def _counted(kinds: Counter[str]) -> str:
    return listed(f"{many} x {kind}" for kind, many in kinds.most_common())


_FORM_ADVICE = {
    Outcome.WRONG_UNIT.value: "Another unit number answers: two devices with one address, or a gateway that "
    "routes to the wrong one.",
    Outcome.WRONG_TRANSACTION.value: "The transaction number is not given back: a fault of the server; a "
    "profile "
    "may allow it after a decision.",
    Outcome.WRONG_PROTOCOL.value: "This is not Modbus TCP: check port and framing (mbap or rtu) in the map.",
    Outcome.WRONG_FUNCTION.value: "The reply belongs to another request or comes from a faulty server.",
    Outcome.SHORT.value: "Fewer bytes than asked: a block limit of the device, or a faulty server.",
    Outcome.LONG.value: "More bytes than asked: a faulty server.",
    Outcome.ODD.value: "The byte count does not agree with the data: a faulty server.",
    Outcome.BAD_CHECKSUM.value: "Checksum errors on the serial line: look at termination, polarisation, "
    "shield "
    "and doubled addresses.",
    Outcome.BAD_FRAME.value: "No frame can be made of it: check framing (mbap or rtu) in the map, and bytes "
    "that "
    "a converter puts in front.",
    Outcome.LATE.value: "Answers after the time-out: the profile's time-out is too short, or a gateway waits "
    "longer than we do.",
    Outcome.REPEATED.value: "Answers twice: a doubled address, or a retransmitting converter.",
    Outcome.UNASKED.value: "Answers nobody asked for: another master shares the converter.",
}


def _first_try(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    if not context.reach.is_alive:
        return
    firsts, retried = (len(context.sent), 0) if context.is_clean else _firsts_and_retried(context)
    if not firsts:
        return
    if not retried:
        yield check.find(
            context.tag,
            Verdict.PASS,
            "Every request answered at the first attempt",
            observed="100",
            expected="100",
            unit="%",
        )
        return
    bounds = share_bounds(retried, firsts)
    yield check.find(
        context.tag,
        Verdict.REVIEW,
        f"{retried} of {firsts} requests needed another attempt",
        observed=percent((firsts - retried) / firsts),
        expected="100",
        unit="%",
        uncertainty=f"{percent(1 - bounds.high)} to {percent(1 - bounds.low)} (95 %, two-sided)",
        evidence=tuple(seq for seq, e in context.sent if e.attempt == 2)[:8],
        advice="All attempts are in the record. Look for the same causes as with losses.",
    )


def _firsts_and_retried(context: DeviceContext) -> tuple[int, int]:
    """Requests asked, and those of them that were asked again.

    The second attempt after one that met the end of a connection is the first that the device could see.
    A second attempt may follow a first one that never went out, as in a record that was cut.
    """
    met = len(context.crossed)
    firsts = sum(e.attempt == 1 for _, e in context.sent) + met
    return firsts, max(0, min(firsts, sum(e.attempt == 2 for _, e in context.sent) - met))


COMPLETE = DeviceCheck(
    id="reply.complete",
    title="All values were read",
    needs=(Need.REPLIES,),
    why="What was not read was not tested: a device that answers in part hides the rest.",
    source="list of points: profile; exception codes: MODBUS Application Protocol Specification V1.1b3, 7",
    since="0.1",
    danger=5,
    where="every device with points",
    run=_complete,
    applies=lambda subject: bool(subject.profile.points),
)
EXCEPTIONS = DeviceCheck(
    id="reply.exceptions",
    title="No exceptions",
    needs=(Need.REPLIES,),
    why="An exception is a plain statement of the device that something is wrong: with the map, with the "
    "device "
    "or with how many ask it.",
    source="MODBUS Application Protocol Specification V1.1b3, 7",
    since="0.1",
    danger=4,
    where="every device",
    run=_exceptions,
)
FORM = DeviceCheck(
    id="reply.form",
    title="Replies in good form",
    needs=(Need.ATTEMPTS,),
    why="A reply of another unit or request, taken for data, shows one breaker's state as another's.",
    source="MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3; MODBUS Application Protocol "
    "Specification V1.1b3, 6.1 to 6.4",
    since="0.1",
    danger=7,
    where="every device",
    run=_form,
)
FIRST_TRY = DeviceCheck(
    id="reply.first_try",
    title="Answered at the first attempt",
    needs=(Need.REPLIES,),
    why="A line that works only with retries is about to stop working, and slows every other device on it.",
    source="Clopper and Pearson, Biometrika 26 (1934), exact bounds; common practice, no source",
    since="0.1",
    danger=3,
    where="every device",
    run=_first_try,
)
