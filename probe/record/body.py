"""Body: what stands in a line for each kind of evidence, expectation, finding and cause, and back again.

Field names are those of the model's classes. Bytes are lower-case hexadecimal text. Wall times and clock
offsets are decimal text (they pass 2^53 nanoseconds); run times are whole numbers of nanoseconds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from operator import attrgetter
from typing import Any

from probe.model.evidence import (
    Anchor,
    AnswerTopic,
    ClockDecision,
    Connect,
    ConnectOutcome,
    Disconnect,
    Echo,
    Evidence,
    Exchange,
    Framing,
    Neighbour,
    Note,
    OperatorAnswer,
    Outcome,
    Purpose,
    ReferenceSample,
    Stray,
)
from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.record.line import Plain, integer
from probe.record.network_body import NETWORK_BUILDERS, NETWORK_KINDS

Body = Mapping[str, Any]

_KINDS: dict[type, str] = {
    Exchange: "exchange",
    Stray: "stray",
    Connect: "connect",
    Disconnect: "disconnect",
    Echo: "echo",
    Neighbour: "neighbour",
    ReferenceSample: "reference",
    ClockDecision: "clock decision",
    OperatorAnswer: "answer",
    Note: "note",
    Anchor: "anchor",
    **NETWORK_KINDS,
}

_SUBJECT = attrgetter("subject")

#: Fields that are text whatever their size.
_WIDE = frozenset({"wall_ns", "low_ns", "high_ns"})


def evidence_kind(evidence: Evidence) -> str:
    """The word in ``kind`` for a piece of evidence."""
    return _KINDS[type(evidence)]


def evidence_body(evidence: Evidence) -> Mapping[str, Plain]:
    """A piece of evidence as the body of its line."""
    body = {name: _plain(name, value) for name, value in evidence._asdict().items()}
    if isinstance(evidence, Note) and not evidence.since_ns:
        del body["since_ns"]  # most notes speak of a moment
    return body


def _plain(name: str, value: Any) -> Plain:
    """The field as a line holds it. value: Any, because the fields of NamedTuples differ in type."""
    if isinstance(value, str):
        return str(value)  # of a member of an enumeration, its word
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, int):  # a truth value stays one
        return str(value) if name in _WIDE else integer(value)
    return value  # type: ignore[no-any-return]


def evidence_from(kind: str, body: Body) -> Evidence | None:
    """The evidence that a line holds, None for a kind that is no evidence or is not known here.

    Raises KeyError, TypeError or ValueError if the body is not what its kind needs.
    """
    build = _BUILDERS.get(kind)
    return None if build is None else build(body)


def _exchange(body: Body) -> Exchange:
    return Exchange(
        tag=text(body["tag"]),
        purpose=Purpose(body["purpose"]),
        framing=Framing(body["framing"]),
        round=int(body["round"]),
        attempt=int(body["attempt"]),
        sent_ns=int(body["sent_ns"]),
        received_ns=int(body["received_ns"]),
        outcome=Outcome(body["outcome"]),
        exception_code=int(body["exception_code"]),
        request=bytes.fromhex(body["request"]),
        response=bytes.fromhex(body["response"]),
    )


def _stray(body: Body) -> Stray:
    return Stray(
        text(body["host"]),
        int(body["received_ns"]),
        Outcome(body["outcome"]),
        bytes.fromhex(body["data"]),
        text(body["tag"]),
    )


def _connect(body: Body) -> Connect:
    return Connect(
        text(body["host"]),
        int(body["sent_ns"]),
        int(body["received_ns"]),
        ConnectOutcome(body["outcome"]),
        text(body["detail"]),
        text(body["local"]),
    )


def _disconnect(body: Body) -> Disconnect:
    return Disconnect(text(body["host"]), int(body["at_ns"]), flag(body["by_peer"]), int(body["requests"]))


def _echo(body: Body) -> Echo:
    return Echo(
        text(body["host"]),
        text(body["tag"]),
        int(body["sent_ns"]),
        int(body["received_ns"]),
        flag(body["answered"]),
    )


def _neighbour(body: Body) -> Neighbour:
    return Neighbour(
        text(body["host"]), text(body["tag"]), int(body["at_ns"]), text(body["hardware_address"])
    )


def _reference(body: Body) -> ReferenceSample:
    return ReferenceSample(
        source=text(body["source"]),
        sent_ns=int(body["sent_ns"]),
        received_ns=int(body["received_ns"]),
        low_ns=int(body["low_ns"]),
        high_ns=int(body["high_ns"]),
        usable=flag(body["usable"]),
        reason=text(body["reason"]),
        data=bytes.fromhex(body["data"]),
    )


def _decision(body: Body) -> ClockDecision:
    return ClockDecision(
        tag=text(body["tag"]),
        at_ns=int(body["at_ns"]),
        decision=text(body["decision"]),
        operator=text(body["operator"]),
        said=text(body["said"]),
        reason=text(body["reason"]),
        plan=text(body["plan"]),
    )


def _answer(body: Body) -> OperatorAnswer:
    return OperatorAnswer(
        at_ns=int(body["at_ns"]),
        sheet=text(body["sheet"]),
        item=text(body["item"]),
        part=text(body["part"]),
        tag=text(body["tag"]),
        round=int(body["round"]),
        topic=AnswerTopic(body["topic"]),
        question=text(body["question"]),
        said=text(body["said"]),
        initials=text(body["initials"]),
        remark=text(body["remark"]),
    )


def _note(body: Body) -> Note:
    return Note(int(body["at_ns"]), text(body["topic"]), text(body["text"]), int(body.get("since_ns", 0)))


def _anchor(body: Body) -> Anchor:
    return Anchor(int(body["at_ns"]), int(body["wall_ns"]))


_BUILDERS: dict[str, Callable[[Body], Evidence]] = {
    "exchange": _exchange,
    "stray": _stray,
    "connect": _connect,
    "disconnect": _disconnect,
    "echo": _echo,
    "neighbour": _neighbour,
    "reference": _reference,
    "clock decision": _decision,
    "answer": _answer,
    "note": _note,
    "anchor": _anchor,
    **NETWORK_BUILDERS,
}


def expected_bodies(expectations: Iterable[Expectation]) -> Iterator[Mapping[str, Plain]]:
    """Bodies of ``expected`` lines: one for each run of expectations on the same subject, in order."""
    for subject, due in expected_by_subject(expectations):
        checks: list[Plain] = [{"check": check, "required": required} for check, required in due]
        yield {"checks": checks, "subject": subject}


def expected_by_subject(expectations: Iterable[Expectation]) -> Iterator[tuple[str, list[tuple[str, bool]]]]:
    """Each run of expectations on the same subject: its checks, and whether they are required."""
    for subject, group in groupby(expectations, key=_SUBJECT):
        yield subject, [(check, required) for check, _, required in group]


def expectations_from(body: Body) -> tuple[Expectation, ...]:
    """The expectations that one ``expected`` line holds."""
    subject = text(body["subject"])
    return tuple(
        Expectation(check=text(item["check"]), subject=subject, required=flag(item["required"]))
        for item in body["checks"]
    )


def finding_body(finding: Finding) -> Mapping[str, Plain]:
    """A finding as the body of its line."""
    return {
        "advice": finding.advice,
        "cause": finding.cause,
        "check": finding.check,
        "danger": finding.danger,
        "evidence": finding.evidence,
        "expected": finding.expected,
        "observed": finding.observed,
        "point": finding.point,
        "rule": finding.rule,
        "subject": finding.subject,
        "title": finding.title,
        "uncertainty": finding.uncertainty,
        "unit": finding.unit,
        "verdict": finding.verdict.value,
    }


def finding_from(body: Body) -> Finding:
    """The finding that a ``finding`` line holds."""
    cause = body["cause"]
    return Finding(
        check=text(body["check"]),
        subject=text(body["subject"]),
        verdict=Verdict(body["verdict"]),
        title=text(body["title"]),
        observed=text(body["observed"]),
        expected=text(body["expected"]),
        unit=text(body["unit"]),
        uncertainty=text(body["uncertainty"]),
        rule=text(body["rule"]),
        evidence=tuple(int(number) for number in body["evidence"]),
        advice=text(body["advice"]),
        point=text(body["point"]),
        cause=None if cause is None else text(cause),
        danger=int(body["danger"]),
    )


def cause_body(cause: Cause) -> Mapping[str, Plain]:
    """A cause as the body of its line."""
    return {
        "confidence_permille": cause.confidence_permille,
        "explains": cause.explains,
        "fix": cause.fix,
        "id": cause.id,
        "kind": cause.kind,
        "statement": cause.statement,
        "subjects": cause.subjects,
    }


def cause_from(body: Body) -> Cause:
    """The cause that a ``cause`` line holds."""
    return Cause(
        id=text(body["id"]),
        kind=text(body["kind"]),
        subjects=texts(body["subjects"]),
        statement=text(body["statement"]),
        confidence_permille=int(body["confidence_permille"]),
        explains=texts(body["explains"]),
        fix=text(body["fix"]),
    )


def text(value: object) -> str:
    """The value if it is text. Raises TypeError if not."""
    if not isinstance(value, str):
        raise TypeError(f"text expected, found {type(value).__name__}")
    return value


def texts(value: Sequence[object]) -> tuple[str, ...]:
    """The values if all are text. Raises TypeError if not."""
    return tuple(text(item) for item in value)


def flag(value: object) -> bool:
    """The value if it is true or false. Raises TypeError if not."""
    if not isinstance(value, bool):
        raise TypeError(f"true or false expected, found {type(value).__name__}")
    return value
