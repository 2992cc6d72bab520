"""Durations as people write them."""

from __future__ import annotations

import pytest

from probe.cli.duration import seconds
from probe.model.errors import InputError


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0", 0),
        ("90s", 90),
        ("10m", 600),
        ("1h30m", 5400),
        ("1.5h", 5400),
        (" 2M ", 120),
        ("30m 15s", 1815),
        ("2d", 172_800),
    ],
)
def test_seconds(text: str, expected: float) -> None:
    assert seconds(text, "--dwell") == expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "10",
        "ten minutes",
        "-5m",
        "5m10h",
        "31000000s",
        "1e9s",
        "٣s",
        "nan",
        "31d",
        "5w",
        "9" * 400 + "s",
    ],
)
def test_what_is_no_duration(text: str) -> None:
    with pytest.raises(InputError) as caught:
        seconds(text, "--dwell")
    (problem,) = caught.value.problems
    assert (problem.file, problem.found) == ("--dwell", text)
    assert "90s, 10m, 1h30m" in problem.allowed


def test_bounds_are_the_callers() -> None:
    assert seconds("31d", "--snooze", longest_s=40 * 86_400) == 31 * 86_400
    with pytest.raises(InputError) as caught:
        seconds("41d", "--snooze", longest_s=40 * 86_400)
    assert "up to 40 days" in caught.value.problems[0].allowed
