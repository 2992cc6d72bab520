"""Phrases: times and findings in words."""

from __future__ import annotations

import pytest

from probe.model.finding import Finding, Verdict
from probe.present.phrase import comparison, finding_phrase, reply_phrase, time_phrase


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (59.4, "59 s"),
        (59.6, "1 min 00 s"),
        (185, "3 min 05 s"),
        (7800, "2 h 10 min"),
        (-3, "0 s"),
    ],
)
def test_time_phrase(seconds: float, text: str) -> None:
    assert time_phrase(seconds) == text


@pytest.mark.parametrize(
    ("milliseconds", "text"),
    [
        (0.2, "<1 ms"),
        (0.97, "1 ms"),
        (12.4, "12 ms"),
        (999.4, "999 ms"),
        (999.6, "1.0 s"),
        (65_000, "65.0 s"),
    ],
)
def test_reply_phrase_takes_six_columns(milliseconds: float, text: str) -> None:
    assert reply_phrase(milliseconds) == text
    assert len(text) <= 6


def finding(**facts: str) -> Finding:
    return Finding(check="c", subject="52-F1", verdict=Verdict.FAIL, title="Too far", **facts)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("facts", "text"),
    [
        ({"observed": "3", "expected": "at most 2", "unit": "s"}, "3 s; expected at most 2 s"),
        ({"observed": "3", "uncertainty": "0.5", "unit": "s"}, "3 s (± 0.5 s)"),
        (
            {"observed": "0.5", "expected": "0.1 (0.095 to 0.105 allowed)", "unit": "s"},
            "0.5 s; expected 0.1 s (0.095 to 0.105 allowed)",
        ),
        (
            {
                "observed": "+0.004 against this computer",
                "expected": "a clock that says it is right",
                "unit": "s",
            },
            "+0.004 s against this computer; expected a clock that says it is right",
        ),
        (
            {"observed": "A to B 482.76, B to C 482.61 and 4 more", "unit": "V"},
            "A to B 482.76, B to C 482.61 V and 4 more",
        ),
        ({"expected": "249.42 to 304.84", "unit": "V"}, "expected 249.42 to 304.84 V"),
        ({"observed": "3", "uncertainty": "1 to 5 (95 %)", "unit": "%"}, "3 % (1 to 5 (95 %))"),
        ({"expected": "open"}, "expected open"),
        ({}, ""),
    ],
)
def test_comparison(facts: dict[str, str], text: str) -> None:
    assert comparison(finding(**facts)).replace("\N{NO-BREAK SPACE}", " ") == text


def test_finding_phrase_without_facts_is_the_title() -> None:
    assert finding_phrase(finding()) == "Too far"
    assert finding_phrase(finding(observed="3")) == "Too far: 3"
