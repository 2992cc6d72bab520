"""What a retest asks again: just what it names, after what must come first (identity before values)."""

from __future__ import annotations

import pytest

from probe.judge.registry import BY_ID
from probe.judge.repeat import Asked, Repeat, read_for, repeat_of, told
from probe.model.scope import Scope


@pytest.mark.parametrize(
    ("check", "wanted", "due"),
    [
        ("state.breaker", "state.breaker", True),
        ("state.position", "state.breaker", False),
        ("state.position", "*", True),
        ("reach.answers", "state.breaker", True),  # whether it answers is asked of each that is asked at all
        ("identity.serial", "state.breaker", True),
        ("proof.point", "clock.skew", True),
        ("fresh.device", "state.breaker", True),  # freshness before a pass
        ("fresh.device", "settings.study", True),
        ("fresh.device", "clock.skew", False),
        ("fresh.device", "identity.serial", False),
        ("clock.skew", "clock.drift", False),
        ("clock.skew", "clock.*", False),  # read for another check, not judged by itself
    ],
)
def test_what_is_due_on_a_device(check: str, wanted: str, due: bool) -> None:
    repeat = Repeat([f"{wanted}@F1"])
    assert repeat.on_device(BY_ID[check], "F1") is due  # type: ignore[arg-type]


def test_nothing_but_who_it_is_is_due_on_others() -> None:
    repeat = Repeat(["state.breaker@F1"])
    assert not repeat.on_device(BY_ID["state.breaker"], "F2")  # type: ignore[arg-type]
    assert not repeat.on_device(BY_ID["fresh.device"], "F2")  # type: ignore[arg-type]
    assert repeat.on_device(BY_ID["identity.serial"], "F2")  # type: ignore[arg-type]


def test_what_is_due_across_devices() -> None:
    repeat = Repeat(["lineup.places@lineup", "state.breaker@F1"])
    assert repeat.across(BY_ID["lineup.places"], "lineup")  # type: ignore[arg-type]
    assert not repeat.across(BY_ID["lineup.weight"], "lineup")  # type: ignore[arg-type]
    assert repeat.across(BY_ID["run.reference"], "lineup")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("checks", "asked"),
    [
        (["*"], Asked(clock=True, settings=True, values=True)),
        (["clock.skew"], Asked(clock=True, settings=False, values=False)),
        (["settings.study"], Asked(clock=False, settings=True, values=False)),
        (["state.breaker"], Asked(clock=False, settings=False, values=True)),
        (["values.*", "clock.drift"], Asked(clock=True, settings=False, values=True)),
        (["identity.serial", "proof.point"], Asked(clock=False, settings=False, values=False)),
        (["desk.fibre"], Asked(clock=False, settings=False, values=False)),
        ([], Asked(clock=False, settings=False, values=False)),
    ],
)
def test_what_must_be_read(checks: list[str], asked: Asked) -> None:
    assert Repeat([f"{one}@F1" for one in checks]).asked("F1") == asked


@pytest.mark.parametrize(
    ("check", "part"),
    [
        ("lineup.weight", "values.*"),
        ("lineup.places", ""),
        ("settings.coordination", "settings.*"),
        ("electrical.balance", "values.*"),
        ("clock.order", "clock.*"),
        ("desk.fibre", ""),
    ],
)
def test_what_a_check_across_devices_reads_of_each(check: str, part: str) -> None:
    assert read_for(check) == part


def test_absent_units_are_asked_for_the_bus_only() -> None:
    assert Repeat(["*@F1"]).asks_units()
    assert Repeat(["bus.absent_units@G1"]).asks_units()
    assert not Repeat(["clock.skew@F1", "state.breaker@F2"]).asks_units()


def test_how_much_is_repeated_in_numbers() -> None:
    assert told(["*@F1", "*@F2", "state.breaker@F3", "values.*@F4", "clock.skew@F3"]) == (2, 2)
    assert told([]) == (0, 0)


def test_a_usual_run_repeats_nothing() -> None:
    assert repeat_of(Scope(tags=("F1",))) is None
    assert repeat_of(Scope(tags=("F1",), checks=("*@F1",))) is not None
