"""Firmware versions part by part."""

from __future__ import annotations

import pytest

from probe.judge.version import matches, parts
from probe.model.finding import Verdict


def test_parts() -> None:
    assert parts("V2.04.10-b3") == (2, 4, 10, 3)
    assert parts("3.0.0") == (3,)
    assert parts("beta") == ()


@pytest.mark.parametrize(
    ("seen", "wanted", "verdict"),
    [
        ("2.10", ">=2.9", Verdict.PASS),
        ("2.4.1", ">=2.4, <3", Verdict.PASS),
        ("3.0", ">=2.4, <3", Verdict.FAIL),
        ("2.4", "2.4.0", Verdict.PASS),
        ("v2.4.1", "2.4.1", Verdict.PASS),
        ("2.4.1", "2.4.10", Verdict.FAIL),
        ("2.4.1-rc1", "2.4.1", Verdict.FAIL),
        ("A", "a", Verdict.PASS),
        ("A", "B", Verdict.FAIL),
        ("beta", ">=2", Verdict.REVIEW),
        ("2.4", ">=old", Verdict.REVIEW),
        ("2.4", "!=2.4", Verdict.FAIL),
        ("2.5", "!=2.4", Verdict.PASS),
        *((seen, ">=2.4", Verdict.PASS if seen >= "2.4" else Verdict.FAIL) for seen in ("2.3", "2.4", "2.5")),
        *((seen, "<=2.4", Verdict.PASS if seen <= "2.4" else Verdict.FAIL) for seen in ("2.3", "2.4", "2.5")),
        *((seen, ">2.4", Verdict.PASS if seen > "2.4" else Verdict.FAIL) for seen in ("2.3", "2.4", "2.5")),
        *((seen, "<2.4", Verdict.PASS if seen < "2.4" else Verdict.FAIL) for seen in ("2.3", "2.4", "2.5")),
        *((seen, "==2.4", Verdict.PASS if seen == "2.4" else Verdict.FAIL) for seen in ("2.3", "2.4", "2.5")),
    ],
)
def test_matches(seen: str, wanted: str, verdict: Verdict) -> None:
    assert matches(seen, wanted) is verdict
