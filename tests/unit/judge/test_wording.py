"""Numbers and times in plain words."""

from __future__ import annotations

import math

import pytest

from probe.judge import wording


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (480.04, 1, "480.0"),
        (0, 0, "0"),
        (2.437e-41, 1, "2.437e-41"),
        (-2.4e29, 1, "-2.400e+29"),
        (math.nan, 1, "not a number"),
        (-math.inf, 1, "minus infinite"),
        (True, 0, "on"),
    ],
)
def test_number(value: float, decimals: int, text: str) -> None:
    assert wording.number(value, decimals) == text


def test_span() -> None:
    seconds = (0.04, 2.5, 65, 3600, -5400, 86_400 * 3, 3661)
    assert [wording.span(s) for s in seconds] == [
        "40 ms", "2.5 s", "1 min 5 s", "1 h", "1 h 30 min", "3.0 days", "1 h 1 min 1 s",
    ]  # fmt: skip


def test_percent() -> None:
    assert [wording.percent(p) for p in (0, 0.0369, 0.0002, 0.5, 1)] == ["0", "3.7", "0.02", "50", "100"]


def test_milliseconds() -> None:
    assert [wording.milliseconds(t) for t in (1_234_000, 45_600_000, 512_300_000)] == ["1.23", "45.6", "512"]


def test_first_bytes() -> None:
    assert wording.first_bytes(b"") == "(none)"
    assert wording.first_bytes(bytes(range(20))).endswith("0F ...")


def test_lists() -> None:
    assert wording.listed(["a", "b", "c"]) == "a, b and c"
    assert wording.listed([]) == ""
    assert wording.some(list("abcdef"), 2) == "a, b and 4 more"
    assert wording.count(1, "reply", "replies") == "1 reply"
    assert wording.count(3, "reply", "replies") == "3 replies"


def test_instant_beyond_the_calendar() -> None:
    assert wording.instant(0) == "1970-01-01 00:00:00 UTC"
    assert wording.instant(1e18).endswith("since 1970")
