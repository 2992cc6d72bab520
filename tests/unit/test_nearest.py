"""The nearest name for a message."""

from __future__ import annotations

import pytest

from probe.model.nearest import did_you_mean, listed, nearest


@pytest.mark.parametrize(
    ("word", "choices", "expected"),
    [
        ("hots", ("host", "port"), "host"),
        ("Fed From", ("fed_from", "study"), "fed_from"),
        ("TRIP-UNIT", ("trip-unit", "meter"), "trip-unit"),
        ("M3", ("M1", "GW1"), "M1"),
        ("zzz", ("host", "port"), ""),
        ("x", (), ""),
    ],
)
def test_nearest(word: str, choices: tuple[str, ...], expected: str) -> None:
    assert nearest(word, choices) == expected
    assert did_you_mean(word, choices) == (f"did you mean {expected}?" if expected else "")


def test_a_long_list_is_cut_and_says_so() -> None:
    assert listed(["a", "b"]) == "a, b"
    assert listed(str(i) for i in range(100)).endswith("and 76 more")
