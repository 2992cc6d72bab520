"""Lines are the RFC 8785 bytes of what they hold. Second opinion: the PyPI library ``rfc8785``."""

from __future__ import annotations

import hashlib
import json

import pytest
import rfc8785

from probe.model.evidence import (
    Anchor,
    Connect,
    ConnectOutcome,
    Disconnect,
    Exchange,
    Framing,
    Outcome,
    Purpose,
)
from probe.model.finding import Expectation, Finding, Verdict
from probe.record.body import evidence_body, expected_bodies, expected_by_subject, finding_body
from probe.record.line import (
    LARGEST,
    LONGEST_LINE,
    MOST_BRACKETS,
    NO_LINE,
    beginning,
    canonical,
    connect_beginning,
    digest,
    disconnect_beginning,
    evidence_lines,
    exchange_line,
    expected_line,
    finding_line,
    finding_lines,
    integer,
    is_bearable,
    line,
)


def _exchange(**changes: object) -> Exchange:
    usual = Exchange(
        tag="F-01",
        purpose=Purpose.POLL,
        framing=Framing.MBAP,
        round=0,
        attempt=1,
        sent_ns=123_456_789,
        received_ns=128_456_789,
        outcome=Outcome.DATA,
        exception_code=0,
        request=bytes.fromhex("000100000006010300000064"),
        response=bytes(range(209)),
    )
    return usual._replace(**changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "exchange",
    [
        _exchange(),
        _exchange(tag='a"b\\c\n\x1f\x7fä€\U0001f602'),
        _exchange(sent_ns=LARGEST, received_ns=LARGEST + 1),
        _exchange(sent_ns=2**70, received_ns=-(2**70)),
        _exchange(response=b"", outcome=Outcome.NO_ANSWER),
        *(_exchange(outcome=outcome) for outcome in Outcome),
        *(_exchange(purpose=purpose) for purpose in Purpose),
        *(_exchange(framing=framing) for framing in Framing),
    ],
)
def test_hand_made_exchange_line_is_the_canonical_one(exchange: Exchange) -> None:
    made = exchange_line(7, NO_LINE, exchange)
    assert made == line(7, NO_LINE, "exchange", evidence_body(exchange))
    assert made == rfc8785.dumps(json.loads(made))


_FINDING = Finding(check="reach.answers", subject="F-01", verdict=Verdict.PASS, title="Answers")


@pytest.mark.parametrize(
    "finding",
    [
        _FINDING,
        _FINDING._replace(title='a"b\\c\n\x1f\x7fä€\U0001f602', observed="\udc80", unit="°C"),
        _FINDING._replace(evidence=(1, 2**53 - 1), cause="c1", danger=9, point="v_ab", rule="x" * 500),
        *(_FINDING._replace(verdict=verdict) for verdict in Verdict),
    ],
)
def test_hand_made_finding_line_is_the_canonical_one(finding: Finding) -> None:
    made = finding_line(7, NO_LINE, finding)
    assert made == line(7, NO_LINE, "finding", finding_body(finding))
    assert made == rfc8785.dumps(json.loads(made))


def test_lines_made_in_one_go_are_those_made_one_by_one() -> None:
    exchanges = [_exchange(tag=f"F-{n % 3}", attempt=n % 2, exception_code=n % 5) for n in range(20)]
    findings = [
        _FINDING._replace(
            subject=f"F-{n}", observed=f"{n % 3} ms", evidence=tuple(range(n % 4)), danger=n % 2
        )
        for n in range(20)
    ]
    first, previous, size = evidence_lines(5, NO_LINE, exchanges)
    second, last, _ = finding_lines(25, previous, findings)
    assert size == sum(map(len, first))
    known, before = NO_LINE, []
    bodies = [("exchange", evidence_body(one)) for one in exchanges]
    bodies += [("finding", finding_body(one)) for one in findings]
    for sequence, (kind, body) in enumerate(bodies, 5):
        before.append(line(sequence, known, kind, body))
        known = digest(before[-1])
    assert [*first, *second] == before
    assert last == known


_CONNECT = Connect("10.0.0.7:502", 5, 9, ConnectOutcome.OPEN, "", "10.0.0.2:50000")


@pytest.mark.parametrize(
    "connect",
    [
        _CONNECT,
        _CONNECT._replace(
            host='a"b\udc80', detail="€\n", local="[::1]:5", sent_ns=2**60, received_ns=-(2**60)
        ),
        *(_CONNECT._replace(outcome=outcome) for outcome in ConnectOutcome),
    ],
)
def test_hand_made_connect_line_is_the_canonical_one(connect: Connect) -> None:
    ((made,), _, _) = evidence_lines(7, NO_LINE, [connect_beginning(connect)])
    assert made == line(7, NO_LINE, "connect", evidence_body(connect))


@pytest.mark.parametrize("end", [Disconnect("h:1", 5, True, 3), Disconnect('"\udc80', 2**60, False, 0)])
def test_hand_made_disconnect_line_is_the_canonical_one(end: Disconnect) -> None:
    ((made,), _, _) = evidence_lines(7, NO_LINE, [disconnect_beginning(end)])
    assert made == line(7, NO_LINE, "disconnect", evidence_body(end))


def test_any_other_evidence_is_begun_as_its_line_begins() -> None:
    anchor = evidence_body(Anchor(3, 2**61))
    ((made,), _, _) = evidence_lines(7, NO_LINE, [beginning("anchor", anchor)])
    assert made == line(7, NO_LINE, "anchor", anchor)


@pytest.mark.parametrize("field", Finding._fields)
def test_a_float_in_a_finding_is_refused(field: str) -> None:
    wrong: object = (0.5,) if field == "evidence" else 0.5
    with pytest.raises((TypeError, ValueError)):
        finding_line(7, NO_LINE, _FINDING._replace(**{field: wrong}))  # type: ignore[arg-type]


def test_hand_made_expected_line_is_the_canonical_one() -> None:
    items = [Expectation(check=f"a.{n}", subject='F-"1"', required=n > 1) for n in range(3)]
    ((subject, due),) = expected_by_subject(items)
    (body,) = expected_bodies(items)
    assert expected_line(2, NO_LINE, subject, due) == line(2, NO_LINE, "expected", body)


def test_line_is_the_canonical_form_of_its_four_members() -> None:
    body = {"b": ["€", "\r", "\x80", "\U0001f602", "ö", "\ufb33", None, True, -5], "a": {}}
    made = line(3, "ab" * 32, "note", body)
    assert made == rfc8785.dumps({"body": body, "kind": "note", "prev": "ab" * 32, "seq": 3})


def test_strings_of_a_published_vector() -> None:
    """Source: cyberphone/json-canonicalization testdata ``values`` (its string, whose bytes stand there)."""
    assert canonical('\u20ac$\x0f\nA\'B"\\\\"/') == b'"\xe2\x82\xac$\\u000f\\nA\'B\\"\\\\\\\\\\"/"'


def test_published_vector_without_normalisation() -> None:
    """Source: cyberphone/json-canonicalization testdata ``unicode`` (commit 19d51d7), hashed."""
    made = canonical({"Unnormalized Unicode": "A\u030a"})
    assert (
        hashlib.sha256(made).hexdigest() == "0d99aad92a125196ff887876643fd3206786a84ddce2cee52ba4ad256d2381d3"
    )


def test_every_control_character_is_written_as_the_standard_says() -> None:
    for code in (*range(0x20), 0x7F, 0x80, 0x9F, 0x2028, 0xFEFF, 0xFFFF):
        assert canonical(chr(code)) == rfc8785.dumps(chr(code))


@pytest.mark.parametrize("wrong", [1.0, float("nan"), b"raw", {"a": 0.5}, [object()], {1: "x"}, {"ä": "x"}])
def test_what_json_cannot_carry_is_a_type_error(wrong: object) -> None:
    with pytest.raises(TypeError):
        canonical(wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("number", [2**53, -(2**53), 2**64])
def test_large_integers_are_refused_as_numbers_and_kept_as_text(number: int) -> None:
    with pytest.raises(TypeError, match="2\\^53"):
        canonical(number)
    assert integer(number) == str(number)


def test_wall_time_is_text_and_large_run_time_too() -> None:
    body = evidence_body(Anchor(2**53, 1))
    assert body == {"at_ns": "9007199254740992", "wall_ns": "1"}


def test_lone_surrogate_is_spelled_out() -> None:
    assert canonical("a\udc80b") == b'"a\\\\udc80b"'
    assert canonical(["\ud83d\ude00"]) == b'["\\\\ud83d\\\\ude00"]'


def test_digest_is_sha256() -> None:
    """Source: FIPS 180-4 example for "abc" (NIST, SHA256 example values)."""
    assert digest(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_bounds_of_a_line() -> None:
    assert is_bearable(b"x" * LONGEST_LINE)
    assert not is_bearable(b"x" * (LONGEST_LINE + 1))
    assert not is_bearable(b"[" * (MOST_BRACKETS + 1))
    assert not is_bearable(b"," * 2_000_001)
