"""Procedures: what is wrong is told at its line and column; what is bundled has nothing wrong."""

from __future__ import annotations

import pytest

from probe.collect.procedures import bundled_names, open_procedure
from probe.model.acts import ACTS, CAUTIONS
from probe.model.errors import InputError
from probe.model.procedure import seconds_of
from probe.model.procedure_load import filled, load_procedure, procedure_schema
from probe.model.signal_words import Signal, signal_of

GOOD = """\
format: buswitness-procedure/1
name: trial
title: Trial
purpose: For a test.
for_each: trip-unit
parameters:
  patience: {title: How long, default: 5 min}
steps:
  - id: open
    title: "{tag}: open"
    act: open
    do: Open {tag}.
    expect:
      - {id: opens, see: breaker, becomes: open, within: "{patience}"}
      - {of: master, see: any alarm, becomes: present, after: opens}
    confirm: [{id: flag, ask: Open now}]
"""


def problems(text: str) -> list[tuple[int, str]]:
    with pytest.raises(InputError) as caught:
        load_procedure("trial.yaml", text)
    return [(one.line, one.what) for one in caught.value.problems]


def test_a_good_one_is_what_was_written() -> None:
    step = load_procedure("trial.yaml", GOOD).steps[0]
    assert step.expect[0].way == "becomes"
    assert step.expect[0].signal == Signal("state", "breaker")
    assert step.confirm[0].kind == "yes"


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("becomes: open, within", "becomes: opened, within", 14, "opened is no word for breaker"),
        ("see: breaker", "see: braker", 14, "names nothing that could be seen"),
        ("after: opens", "after: open", 15, "nothing before it in this step has the id open"),
        ('"{patience}"', '"{patients}"', 14, "there is no parameter {patients}"),
        ("Open {tag}.", "Open {teg}.", 12, "nothing is called {teg}"),
        ("act: open", "act: explode", 11, "act is none of the allowed words"),
        ("becomes: present,", "becomes: present, remains: present,", 15, "what the signal does, once"),
        ("{id: flag,", "{id: flag, against: opens,", 16, "a time is compared with what was seen"),
        ("see: any alarm, becomes: present", "see: any alarm, above: 3", 15, "is no number"),
        ("for_each: trip-unit", "for_each: trip_unit", 5, "for_each is none"),
        ("    confirm", "    confirms", 16, "confirms"),
        ('"{patience}"', "soon", 14, ""),
    ],
)
def test_what_is_wrong_is_told_where_it_stands(old: str, new: str, line: int, words: str) -> None:
    assert old in GOOD
    found = problems(GOOD.replace(old, new, 1))
    assert any(at == line and words in what for at, what in found), found


def test_ids_that_stand_twice() -> None:
    step = GOOD[GOOD.index("  - id: open") :]
    assert any("stands twice" in what for _, what in problems(GOOD + step))


def test_no_steps() -> None:
    assert any("no step" in what for _, what in problems(GOOD[: GOOD.index("steps:")] + "steps: []\n"))


def test_a_bus_where_there_is_none() -> None:
    text = GOOD.replace("see: breaker, becomes: open", 'see: "bus {bus}", becomes: fault')
    assert any("for each bus" in what for _, what in problems(text))


@pytest.mark.parametrize("name", bundled_names())
def test_the_bundled_ones_load_under_their_names(name: str) -> None:
    procedure, source = open_procedure(name)
    assert procedure.name == name
    assert source.name == f"procedures/{name}.yaml"


def test_an_unknown_one_names_the_nearest() -> None:
    with pytest.raises(InputError, match="open-close-local"):
        open_procedure("open-close-locl")


def test_every_act_has_its_cautions() -> None:
    """Whoever operates anything acknowledges something first."""
    for name, act in ACTS.items():
        assert all(caution in CAUTIONS for caution in act.cautions), name
        assert act.cautions or not act.operates, name


@pytest.mark.parametrize(("text", "seconds"), [("250 ms", 0.25), ("5s", 5), ("1.5 min", 90), ("2 h", 7200)])
def test_durations(text: str, seconds: float) -> None:
    assert seconds_of(text) == seconds
    assert seconds_of("{x}", {"x": text}) == seconds


@pytest.mark.parametrize(
    ("text", "signal"),
    [
        ("breaker", Signal("state", "breaker")),
        ("bus A", Signal("bus", "A")),
        ("answers", Signal("answers")),
        ("any trip", Signal("any", "trip")),
        ("pickup ground", Signal("pickup", "ground")),
        ("pickup heart", None),
        ("alarm", None),
        ("any bell", None),
        ("", None),
    ],
)
def test_signals_by_their_words(text: str, signal: Signal | None) -> None:
    assert signal_of(text) == signal
    if signal is not None:
        assert str(signal) == text


def test_braces_are_filled_and_unknown_ones_stay() -> None:
    assert filled("{a} {b} {", {"a": "x"}) == "x {b} {"


def test_the_schema_names_every_field_of_a_step() -> None:
    assert "steps" in str(procedure_schema())
    assert "cautions" in str(procedure_schema())
