"""Exchange in words: what a request asked and what came back, read from the raw bytes of the record."""

from __future__ import annotations

from collections.abc import Sequence

from probe.model.capture_evidence import CaptureFile
from probe.model.evidence import (
    Anchor,
    ClockDecision,
    Connect,
    Disconnect,
    Echo,
    Evidence,
    Exchange,
    Neighbour,
    Note,
    OperatorAnswer,
    Outcome,
    Purpose,
    ReferenceSample,
    Stray,
)
from probe.model.pdu import payload, pdu_of, read_span, unit_of
from probe.model.write_pdu import is_write, write_span
from probe.present.network_words import network_words

#: Names of functions (MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4, 6.21).
FUNCTIONS = {
    1: "read coils",
    2: "read discrete inputs",
    3: "read holding registers",
    4: "read input registers",
    6: "write single register",
    16: "write multiple registers",
    0x2B: "read device identification",
}
#: Names of exception codes (MODBUS Application Protocol Specification V1.1b3, 7).
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
_BYTES_A_LINE = 16


def milliseconds(ns: int) -> str:
    """Nanoseconds as milliseconds with three digits: ``12.345 ms``."""
    return f"{ns / 1e6:.3f} ms"


def request_words(exchange: Exchange) -> str:
    """What was asked: unit, function, first address (zero-based) and quantity."""
    pdu = pdu_of(exchange.request, exchange.framing)
    if not pdu:
        return "no request could be made"
    function = f"function {pdu[0]} ({FUNCTIONS.get(pdu[0], 'not one that we send')})"
    words = [f"unit {unit_of(exchange.request, exchange.framing)}", function]
    if is_write(pdu):
        return ", ".join([*words, _written(pdu)])
    try:
        span = read_span(pdu)
    except ValueError:
        return ", ".join(words)
    return ", ".join([*words, f"address {span.start} (counted from 0)", f"quantity {span.quantity}"])


def _written(pdu: bytes) -> str:
    """What a write writes, and where."""
    try:
        span = write_span(pdu)
    except ValueError:
        return "not well-formed"
    return f"address {span.start} (counted from 0), registers {span.data.hex(' ', 2).upper()}"


def response_words(exchange: Exchange) -> str:
    """What came back, or that nothing did, and after how long."""
    after = milliseconds(exchange.reply_ns)
    if exchange.outcome is Outcome.EXCEPTION:
        name = EXCEPTIONS.get(exchange.exception_code, "a code that the standard does not name")
        return f"exception {exchange.exception_code} ({name}) after {after}"
    if exchange.outcome is Outcome.DATA and exchange.purpose is Purpose.CLOCK_SET:
        return f"taken, after {after}"
    if exchange.outcome is Outcome.DATA:
        size = len(payload(pdu_of(exchange.response, exchange.framing)))
        return f"data, {size} bytes, after {after}"
    if not exchange.response:
        return f"{exchange.outcome.value} within {after}"
    return f"not accepted ({exchange.outcome.value}), {len(exchange.response)} bytes, after {after}"


def hex_lines(data: bytes) -> Sequence[str]:
    """The bytes as lines of offset and sixteen pairs of hexadecimal digits."""
    return [
        f"{start:04x}  {data[start : start + _BYTES_A_LINE].hex(' ')}"
        for start in range(0, len(data), _BYTES_A_LINE)
    ] or ["no bytes"]


def evidence_words(evidence: Evidence) -> str:  # noqa: PLR0911 (one case a kind of evidence)
    """Any piece of evidence in one sentence."""
    match evidence:
        case Exchange():
            attempt = f", attempt {evidence.attempt}" if evidence.attempt > 1 else ""
            return f"{evidence.purpose.value}{attempt}: {request_words(evidence)}; {response_words(evidence)}"
        case Stray():
            many = f"{len(evidence.data)} bytes from {evidence.host}"
            return f"{many} that answer nothing ({evidence.outcome.value})"
        case Connect():
            said = f": {evidence.detail}" if evidence.detail else ""
            return f"connection to {evidence.host}: {evidence.outcome.value}{said}"
        case Disconnect():
            who = "the other side" if evidence.by_peer else "us"
            return f"connection to {evidence.host} closed by {who} after {evidence.requests} requests"
        case Echo():
            after = milliseconds(evidence.received_ns - evidence.sent_ns)
            return f"echo of {evidence.host}: {'answered' if evidence.answered else 'no answer'}, {after}"
        case Neighbour():
            return f"hardware address of {evidence.host}: {evidence.hardware_address or 'none known'}"
        case ReferenceSample():
            state = "usable" if evidence.usable else f"not usable, {evidence.reason}"
            return f"reference clock {evidence.source}: {state}"
        case ClockDecision():
            who = f" by {evidence.operator}" if evidence.operator else ""
            why = f": {evidence.reason}" if evidence.reason else ""
            return f"setting the clock of {evidence.tag}: {evidence.decision}{who}{why}; {evidence.plan}"
        case OperatorAnswer():
            return answer_words(evidence)
        case CaptureFile():
            return capture_words(evidence)
        case Note():
            return f"{evidence.topic}: {evidence.text}"
        case Anchor():
            return "run time tied to the wall clock"
        case _:
            return network_words(evidence)


def capture_words(capture: CaptureFile) -> str:
    """A capture file, in one sentence."""
    only = f', only "{capture.filter}"' if capture.filter else ""
    lost = f", {capture.dropped} lost" if capture.dropped else ""
    return (
        f"capture {capture.file} from {capture.interface}{only}: {capture.packets} packets{lost}, "
        f"{capture.size} "
        f"bytes, SHA-256 {capture.sha256}; ended: {capture.ending}"
    )


def answer_words(answer: OperatorAnswer) -> str:
    """What a person said, in one sentence."""
    place = " ".join(filter(None, (answer.sheet, answer.item, answer.part, answer.tag)))
    again = f" (time {answer.round})" if answer.round > 1 else ""
    who = f" by {answer.initials}" if answer.initials else ""
    asked = f': "{answer.question}"' if answer.question else ""
    said = f" {answer.said}" if answer.said else ""
    remark = f"; remark: {answer.remark}" if answer.remark else ""
    return f"{place}{again}{asked} {answer.topic.value}{said}{who}{remark}"


def at_ns(evidence: Evidence) -> int:
    """When it was, in nanoseconds of the run: when it was sent, or when it came."""
    for name in ("sent_ns", "at_ns", "received_ns"):
        moment = getattr(evidence, name, None)
        if moment is not None:
            return int(moment)
    return 0
