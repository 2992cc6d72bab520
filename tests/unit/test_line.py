"""Lines are the RFC 8785 bytes of what they hold. Second opinion: the PyPI library ``rfc8785``."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from types import MappingProxyType
from typing import Any

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
from probe.record import line as line_module
from probe.record.body import evidence_body, expected_bodies, expected_by_subject, finding_body
from probe.record.line import (
    LARGEST,
    LONGEST_LINE,
    MOST_BRACKETS,
    MOST_COMMAS,
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


@pytest.mark.parametrize("number", [LARGEST, -LARGEST, 0])
def test_numbers_up_to_the_largest_that_every_reader_keeps_stay_numbers(number: int) -> None:
    """2^53-1 and its negative (RFC 8785, from memory: those of I-JSON)."""
    assert integer(number) == number
    assert canonical(number) == rfc8785.dumps(number) == str(number).encode()
    assert evidence_body(Anchor(number, 1))["at_ns"] == number
    assert canonical([number, "\udc80"]) == b'[%d,"\\\\udc80"]' % number, "also where each value is looked at"
    for beyond in (LARGEST + 1, -LARGEST - 1):
        assert integer(beyond) == str(beyond)
        with pytest.raises(TypeError):
            canonical([beyond])


@pytest.mark.parametrize(
    "times", [(0, 0), (0, LARGEST), (LARGEST, LARGEST), (-1, 5), (5, 4), (0, LARGEST + 1)]
)
def test_the_edges_of_run_times_are_written_as_anywhere(times: tuple[int, int]) -> None:
    exchange = _exchange(sent_ns=times[0], received_ns=times[1])
    assert exchange_line(7, NO_LINE, exchange) == line(7, NO_LINE, "exchange", evidence_body(exchange))
    connect = _CONNECT._replace(sent_ns=times[0], received_ns=times[1])
    ((made,), _, _) = evidence_lines(7, NO_LINE, [connect_beginning(connect)])
    assert made == line(7, NO_LINE, "connect", evidence_body(connect))


def test_a_line_at_its_bounds_is_borne_and_one_beyond_is_not() -> None:
    """Brackets of both kinds count together, commas by themselves."""
    half = MOST_BRACKETS // 2
    assert is_bearable(b"[" * half + b"{" * half)
    assert not is_bearable(b"[" * half + b"{" * (half + 1))
    assert is_bearable(b"," * MOST_COMMAS)
    assert not is_bearable(b"," * (MOST_COMMAS + 1))
    assert (MOST_BRACKETS, MOST_COMMAS, LONGEST_LINE) == (200_000, 2_000_000, 16 * 2**20), "docs/record.md"


def test_size_and_hash_of_lines_of_any_mixture() -> None:
    mixed = [_exchange(), beginning("anchor", evidence_body(Anchor(3, 4))), connect_beginning(_CONNECT)]
    made, last, size = evidence_lines(5, "ab" * 32, mixed)
    assert size == sum(map(len, made))
    assert last == digest(made[-1])
    assert [json.loads(one)["seq"] for one in made] == [5, 6, 7]
    assert [json.loads(one)["prev"] for one in made] == ["ab" * 32, digest(made[0]), digest(made[1])]
    assert evidence_lines(5, "ab" * 32, []) == ([], "ab" * 32, 0)
    found, last, size = finding_lines(5, "ab" * 32, [_FINDING, _FINDING._replace(subject="F-02")])
    assert (size, last) == (sum(map(len, found)), digest(found[-1]))
    assert finding_lines(5, "ab" * 32, []) == ([], "ab" * 32, 0)


def test_what_is_kept_of_texts_does_not_grow_without_end() -> None:
    """A sweep that runs for months meets ever new texts: what is kept for speed is begun anew."""
    kinds: list[tuple[dict[Any, Any], int, Callable[[int], object]]] = [
        (line_module._quoted, line_module._TEXTS_KEPT, lambda n: line_module._quoted[f"text {n}"]),
        (line_module._heads, line_module._HEADS_KEPT, lambda n: line_module._heads[n, 0, "a", "b", "c"]),
        (line_module._frames, line_module._FRAMES_KEPT, lambda n: _finding_of(f"title {n}")),
    ]  # fmt: skip
    for kept, most, make in kinds:
        for number in range(most + 50):
            make(number)
            assert len(kept) <= most + 1
        assert len(kept) < most, "begun anew"
    assert exchange_line(7, NO_LINE, _exchange()) == line(7, NO_LINE, "exchange", evidence_body(_exchange()))
    assert finding_line(7, NO_LINE, _FINDING) == line(7, NO_LINE, "finding", finding_body(_FINDING))


def _finding_of(title: str) -> bytes:
    return finding_line(1, NO_LINE, _FINDING._replace(title=title))


class _Word(str):
    """A text of another type, as members of enumerations are."""

    __slots__ = ()


@pytest.mark.parametrize(
    "value",
    [
        _Word("a"),
        [_Word("a"), {"b": _Word("c")}],
        {"a": [1, (2, [3, {"b": ("c", None)}])]},
        [[], {}, [[True, False]], ()],
        MappingProxyType({"b": 1, "a": MappingProxyType({"d": 2, "c": 3})}),
        [["a\udc80"], {"b": "\udc80"}],
    ],
)
def test_whatever_way_a_value_is_held_its_bytes_are_the_canonical_ones(value: Any) -> None:
    def plain(held: Any) -> Any:
        if isinstance(held, str):
            return str(held).encode("utf-8", "backslashreplace").decode()
        if isinstance(held, (dict, MappingProxyType)):
            return {key: plain(item) for key, item in held.items()}
        return [plain(item) for item in held] if isinstance(held, (list, tuple)) else held

    assert canonical(value) == rfc8785.dumps(plain(value))


@pytest.mark.parametrize(
    "wrong",
    [
        [[[0.5]]],
        {"a": {"b": 0.5}},
        {"a": {1: 2}},
        {"a": {"ä": 2}},
        [b"x"],
        bytearray(b"x"),
        {1, 2},
        [MappingProxyType({1: 2})],
    ],
)
def test_what_no_line_may_hold_is_refused_however_deep(wrong: Any) -> None:
    with pytest.raises(TypeError):
        canonical(wrong)
