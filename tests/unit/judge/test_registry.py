"""Finding a check by its id: one that stands, was retired, is misspelt, or stands twice."""

from __future__ import annotations

import pytest

from probe.judge import registry
from probe.judge.registry import ALIASES, BY_ID, CAPTURE_CHECKS, DEVICE_CHECKS, LINEUP_CHECKS, get
from probe.model.errors import InputError


def test_every_check_is_found_by_its_id() -> None:
    assert len(BY_ID) == len(DEVICE_CHECKS) + len(LINEUP_CHECKS) + len(CAPTURE_CHECKS)
    for name, check in BY_ID.items():
        assert get(name) is check
        assert check.id == name


def test_a_retired_id_leads_to_what_took_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(ALIASES, "state.contact", "state.breaker")
    assert get("state.contact") is BY_ID["state.breaker"]
    with pytest.raises(ValueError, match=r"state\.contact"):
        registry._indexed([*DEVICE_CHECKS, _named("state.contact")])


def _named(name: str) -> object:
    from dataclasses import replace

    return replace(DEVICE_CHECKS[0], id=name)


def test_an_id_that_stands_twice_is_our_defect() -> None:
    with pytest.raises(ValueError, match=rf"check id {DEVICE_CHECKS[0].id} is registered twice"):
        registry._indexed([DEVICE_CHECKS[0], DEVICE_CHECKS[0]])


def test_a_misspelt_id_is_told_with_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        get("state.braker")
    (problem,) = caught.value.problems
    assert problem.found == "state.braker"
    assert "state.breaker" in problem.allowed
    assert len(problem.allowed.split(", ")) <= 3
    with pytest.raises(InputError) as caught:
        get("zzzzzzzz")
    assert "buswitness checks" in caught.value.problems[0].allowed
