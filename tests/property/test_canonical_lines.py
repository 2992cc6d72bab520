"""Whatever stands in a line: its bytes are those of an independent RFC 8785 library, and it comes back whole.

Second opinion: the PyPI library ``rfc8785`` (reproduces the published vectors).
"""

from __future__ import annotations

import json
from typing import Any

import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.model.capture_evidence import CaptureFile
from probe.model.evidence import (
    Anchor,
    AnswerTopic,
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
from probe.model.failover_evidence import Beat, LinkAct, LinkStep, Means
from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.model.lineup import SourceText
from probe.model.network_evidence import (
    ForwardingEntry,
    Frame,
    Listening,
    OwnInterface,
    Route,
    SecretSeen,
    ServiceOutcome,
    ServiceProbe,
    Sweep,
    Talk,
)
from probe.model.scope import Scope
from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome, SnmpRequest
from probe.record.body import (
    cause_body,
    cause_from,
    evidence_body,
    evidence_from,
    evidence_kind,
    expectations_from,
    expected_bodies,
    finding_body,
    finding_from,
)
from probe.record.embedded import embedded_body, raw_inside
from probe.record.header import Header, Instrument, Source, header_body, header_from
from probe.record.history import (
    Acceptance,
    History,
    Stage,
    acceptance_body,
    acceptance_from,
    history_body,
    history_from,
)
from probe.record.line import LARGEST, NO_LINE, canonical, exchange_line, finding_line, line
from probe.record.reader import parse
from probe.record.seal import seal_line, signature_of
from probe.record.signing import KeySigner, seal_message, signature_holds

#: The key of TEST 1 in RFC 8032, 7.1.
SIGNER = KeySigner(
    Ed25519PrivateKey.from_private_bytes(
        bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
    )
)

text = st.text(max_size=30)
wild_text = st.text(st.characters(), max_size=30)  # lone surrogates too
number = st.integers(-(2**66), 2**66)
small = st.integers(0, 2**31)
data = st.binary(max_size=40)

evidence = st.one_of(
    st.builds(
        Exchange,
        text,
        st.sampled_from(Purpose),
        st.sampled_from(Framing),
        small,
        small,
        number,
        number,
        st.sampled_from(Outcome),
        small,
        data,
        data,
    ),
    st.builds(Stray, text, number, st.sampled_from(Outcome), data, text),
    st.builds(Connect, text, number, number, st.sampled_from(ConnectOutcome), text, text),
    st.builds(Disconnect, text, number, st.booleans(), small),
    st.builds(Echo, text, text, number, number, st.booleans()),
    st.builds(Neighbour, text, text, number, text),
    st.builds(ReferenceSample, text, number, number, number, number, st.booleans(), text, data),
    st.builds(Note, number, text, text),
    st.builds(
        OperatorAnswer,
        number,
        text,
        text,
        text,
        text,
        small,
        st.sampled_from(AnswerTopic),
        text,
        text,
        text,
        text,
    ),
    st.builds(Anchor, number, number),
    st.builds(CaptureFile, number, text, text, small, small, small, text, text, text, number, number),
    st.builds(OwnInterface, number, text, text, text, st.booleans(), small, text, text, st.booleans()),
    st.builds(Route, number, text, text, text, small),
    st.builds(Frame, text, number, st.booleans(), small, data),
    st.builds(Talk, text, text, text, text, small, number, number, number),
    st.builds(Listening, text, number, number, text, text, small, number, small, small, small, small),
    st.builds(Sweep, text, text, text, text, number, number, small),
    st.builds(SecretSeen, number, text, text, text, text, text, st.booleans()),
    st.builds(ServiceProbe, text, small, text, number, number, st.sampled_from(ServiceOutcome), data),
    st.builds(ForwardingEntry, text, number, text, text, small, st.booleans()),
    st.builds(LinkStep, number, text, st.sampled_from(LinkAct), text, text, text),
    st.builds(Beat, text, text, text, st.sampled_from(Means), number, number, text, data, data),
    st.builds(
        SnmpAnswer,
        host=text,
        tag=text,
        object=text,
        round=small,
        attempt=small,
        request=st.sampled_from(SnmpRequest),
        asked=text,
        sent_ns=number,
        received_ns=number,
        outcome=st.sampled_from(SnmpOutcome),
        detail=text,
        bindings=st.binary(max_size=40),
    ),
)
finding = st.builds(
    Finding,
    check=text,
    subject=text,
    verdict=st.sampled_from(Verdict),
    title=text,
    observed=text,
    expected=text,
    unit=text,
    uncertainty=text,
    rule=text,
    evidence=st.lists(small, max_size=5).map(tuple),
    advice=text,
    point=text,
    cause=st.none() | text,
    danger=st.integers(0, 9),
)
texts = st.lists(text, max_size=4).map(tuple)
cause = st.builds(
    Cause,
    id=text,
    kind=text,
    subjects=texts,
    statement=text,
    confidence_permille=st.integers(0, 1000),
    explains=texts,
    fix=text,
)
source = st.builds(SourceText, name=text, text=text, sha256=text)
seconds = st.floats(0, 1e9)
hashes = st.binary(min_size=32, max_size=32).map(bytes.hex)
header = st.builds(
    Header,
    tool_version=text,
    site=text,
    lineup=text,
    map_texts=st.lists(source, max_size=2).map(tuple),
    study_texts=st.lists(source, max_size=2).map(tuple),
    sheet_texts=st.lists(source, max_size=2).map(tuple),
    profile_texts=st.lists(source, max_size=2).map(tuple),
    scope=st.builds(
        Scope,
        tags=texts,
        left_out=texts,
        quick=st.booleans(),
        dwell_s=seconds,
        poll_pause_s=seconds,
        sheets=texts,
        targets=texts,
        sheet_values=texts,
    ),
    started_wall_ns=st.integers(0, 2**63),
    instrument=st.builds(Instrument, host_name=text, system=text, python=text, addresses=texts, clock=text),
    operator=st.text(min_size=1, max_size=20),
    command=texts,
    tool_code=text,
    key=st.just("") | hashes,
    sources=st.lists(
        st.builds(Source, relation=text, code=hashes, count=small, file=text, closed=st.booleans()),
        max_size=3,
    ).map(tuple),
)
verdicts = st.sampled_from(Verdict)
acceptance = st.builds(
    Acceptance,
    finding=text,
    code=text,
    verdict=verdicts,
    title=text,
    observed=text,
    expected=text,
    by=text,
    reason=text,
    at_wall_ns=number,
    key=text,
)
stage = st.builds(
    Stage,
    source=small,
    verdict=verdicts,
    title=text,
    observed=text,
    expected=text,
    gone=st.booleans(),
    at_wall_ns=number,
    operator=text,
    key=text,
    evidence=st.lists(small, max_size=3).map(tuple),
)
history = st.builds(
    History,
    finding=text,
    stages=st.lists(stage, max_size=3).map(tuple),
    accepted=st.lists(acceptance, max_size=2).map(tuple),
    disposition=text,
)


def _reread(made: bytes) -> dict[str, Any]:
    """The line's body as an independent JSON reader sees it, after the bytes were found canonical."""
    value = json.loads(made)
    assert made == rfc8785.dumps(value)
    assert parse(made).body == value["body"]
    return value["body"]  # type: ignore[no-any-return]


@given(evidence)
@settings(max_examples=400)
def test_evidence_lines(item: Evidence) -> None:
    kind = evidence_kind(item)
    made = line(2, NO_LINE, kind, evidence_body(item))
    assert evidence_from(kind, _reread(made)) == item
    if isinstance(item, Exchange):
        assert exchange_line(2, NO_LINE, item) == made


@given(finding)
def test_finding_lines(item: Finding) -> None:
    made = line(2, NO_LINE, "finding", finding_body(item))
    assert finding_from(_reread(made)) == item
    assert finding_line(2, NO_LINE, item) == made


@given(cause)
def test_cause_lines(item: Cause) -> None:
    assert cause_from(_reread(line(2, NO_LINE, "cause", cause_body(item)))) == item


@given(st.lists(st.builds(Expectation, check=text, subject=st.sampled_from("abc"), required=st.booleans())))
def test_expectations_come_back_in_order(items: list[Expectation]) -> None:
    bodies = [_reread(line(2, NO_LINE, "expected", body)) for body in expected_bodies(items)]
    assert [item for body in bodies for item in expectations_from(body)] == items


@given(header)
def test_head_line(item: Header) -> None:
    assert header_from(_reread(line(1, NO_LINE, "head", header_body(item)))) == item


@given(history)
def test_history_lines(item: History) -> None:
    assert history_from(_reread(line(2, NO_LINE, "history", history_body(item)))) == item


@given(acceptance)
def test_acceptance_lines(item: Acceptance) -> None:
    assert acceptance_from(_reread(line(2, NO_LINE, "acceptance", acceptance_body(item)))) == item


@given(st.integers(1, 9), evidence)
def test_embedded_lines(source: int, item: Evidence) -> None:
    """A line inside a line, and the merge of a merge inside that, come out byte for byte."""
    inner = line(7, NO_LINE, evidence_kind(item), evidence_body(item))
    for _ in range(2):
        body = _reread(line(2, NO_LINE, "embedded", embedded_body(source, inner)))
        assert raw_inside(body) == (source, inner)
        inner = line(2, NO_LINE, "embedded", embedded_body(source, inner))


@given(st.integers(1, LARGEST), st.booleans(), text)
def test_signed_seal_line(sequence: int, complete: bool, reason: str) -> None:
    made = seal_line(sequence, NO_LINE, complete=complete, reason=reason, signer=SIGNER)
    body = _reread(made)
    assert signature_holds(SIGNER.public, signature_of(body), seal_message(body["check"]))


@given(st.integers(1, LARGEST), st.booleans(), text)
def test_seal_line(sequence: int, complete: bool, reason: str) -> None:
    body = _reread(seal_line(sequence, NO_LINE, complete=complete, reason=reason))
    assert (body["complete"], body["count"], body["reason"]) == (complete, sequence, reason)


@given(wild_text)
def test_any_text_can_be_written(wild: str) -> None:
    made = canonical(wild)
    assert made == rfc8785.dumps(json.loads(made))


plain = st.recursive(
    st.none() | st.booleans() | st.integers(-LARGEST, LARGEST) | text,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(st.characters(max_codepoint=127), max_size=6), inner, max_size=4)
    ),
    max_leaves=20,
)


@given(plain)
def test_any_value_of_the_allowed_types(value: Any) -> None:
    assert canonical(value) == rfc8785.dumps(value)
