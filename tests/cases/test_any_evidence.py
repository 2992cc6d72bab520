"""Whatever a device sends, the judge gives verdicts: never an exception, never a pass out of nothing."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probe.judge import expected, judge_device
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.evidence import Outcome
from probe.model.finding import Verdict

ADDRESSES = st.one_of(st.integers(0, 12), st.integers(100, 121), st.integers(200, 201))
WORDS = st.one_of(
    st.sampled_from([0, 1, 0x7FFF, 0x8000, 0xFFFF, 0x7F80, 0x7FC0, 0xFF80, 0x5AA5]), st.integers(0, 0xFFFF)
)
RULES = st.fixed_dictionaries(
    {
        "purpose": st.sampled_from(["", "identity", "clock", "proof", "poll", "freshness"]),
        "outcome": st.sampled_from([o.value for o in Outcome if o.value not in ("data", "exception")]),
        "exception": st.sampled_from([0, 0, 1, 2, 4, 6, 9, 10, 11, 255]),
        "times": st.integers(0, 4),
        "again": st.booleans(),
        "response": st.binary(max_size=12).map(bytes.hex),
    }
)
STORIES = st.fixed_dictionaries(
    {
        "registers": st.dictionaries(ADDRESSES, WORDS.map(lambda word: f"{word:04X}"), max_size=12),
        "wire": st.lists(RULES, max_size=3),
        "shift": st.integers(-2, 2),
        "clock_s": st.one_of(st.floats(-1.77e9, 2e9), st.just(0.0)),
        "absent": st.dictionaries(st.integers(1, 246), st.one_of(st.just("no answer"), WORDS), max_size=2),
        "objects": st.dictionaries(
            st.sampled_from([0, 1, 2, 128]),
            st.one_of(st.none(), st.text(st.characters(max_codepoint=255), max_size=20)),
            max_size=3,
        ),
        "strays": st.lists(st.sampled_from(["late", "repeated", "unasked"]), max_size=2),
        "interrupted": st.booleans(),
    }
)
QUIET = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@QUIET
@given(story=STORIES)
def test_any_story_is_judged(judge: Any, story: dict[str, Any]) -> None:
    result = judge(story)
    have = {(f.check, f.subject) for f in result.conclusion.findings}
    assert {(e.check, e.subject) for e in expected(result.lineup, result.scope)} <= have
    ids = {f.id for f in result.conclusion.findings}
    for cause in result.conclusion.causes:
        assert set(cause.explains) <= ids
    for finding in result.conclusion.findings:
        text = finding.title + finding.observed + finding.expected + finding.advice
        assert not any(ord(sign) < 32 or 127 <= ord(sign) < 160 for sign in text)


@QUIET
@given(cut=st.integers(0, 9), story=STORIES)
def test_a_cut_conversation_is_judged(judge: Any, cut: int, story: dict[str, Any]) -> None:
    result = judge({**story, "stop_after": cut, "interrupted": True})
    if not result.judgements["F1"].facts.reach.is_alive:
        assert Verdict.PASS not in {f.verdict for f in result.judgements["F1"].findings}


@QUIET
@given(data=st.binary(max_size=60), kind=st.sampled_from(["request", "response"]))
def test_any_bytes_in_a_record_are_judged(judge: Any, data: bytes, kind: str) -> None:
    """A record from elsewhere may call anything data."""
    result = judge({})
    exchanges = result_exchanges(judge)
    forged = tuple((seq, exchange._replace(**{kind: data})) for seq, exchange in exchanges)
    judgement = judge_device(
        result.lineup, result.scope, DeviceEvidence(tag="F1", exchanges=forged), RunEvidence()
    )
    assert judgement.findings


def result_exchanges(judge: Any) -> Any:
    """The exchanges of a healthy device."""
    told = judge.__globals__["Told"]({}, judge.__globals__["DEVICE"])
    return told.tell().exchanges


def test_no_evidence_at_all(judge: Any) -> None:
    result = judge({})
    judgement = judge_device(result.lineup, result.scope, DeviceEvidence(tag="F1"), RunEvidence())
    assert {f.verdict for f in judgement.findings} == {Verdict.NOT_TESTED}


@pytest.mark.parametrize("check", ["values.range", "state.breaker", "supply.energized"])
def test_wrong_identity_hides_every_value(judge: Any, check: str) -> None:
    """Even a value that would fail is not judged: it may be another device's."""
    result = judge({"objects": {0: "Brindlecote"}, "values": {"voltage_ab": 4000, "breaker_state": 0}})
    assert {f.verdict for f in result.findings(check)} == {Verdict.NOT_TESTED}


CIRCUIT_STORIES = st.fixed_dictionaries(
    {
        "profile": st.just("case-circuit"),
        "registers": st.dictionaries(
            st.integers(300, 375), WORDS.map(lambda word: f"{word:04X}"), max_size=30
        ),
        "device": st.fixed_dictionaries({"kind": st.sampled_from(["trip-unit", "meter"])}),
    }
)


@QUIET
@given(stories=st.lists(CIRCUIT_STORIES, min_size=2, max_size=3), feeds=st.booleans())
def test_any_circuit_is_judged(judge: Any, stories: list[dict[str, Any]], feeds: bool) -> None:
    for story in stories[1:]:
        story["device"] = {**story["device"], "fed_from" if feeds else "measures": "F1"}
    result = judge({"devices": stories, "scope": {"dwell_s": 2.0}})
    have = {(f.check, f.subject) for f in result.conclusion.findings}
    assert {(e.check, e.subject) for e in expected(result.lineup, result.scope)} <= have
