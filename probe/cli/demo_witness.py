"""A functional test on the practice lineup: the terminal is real, the operator at the gear is scripted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from probe.cli import failure
from probe.cli.audit_start import Wishes
from probe.cli.witness_command import Choice, begin, scope_of
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.nearest import did_you_mean
from probe.present.console import say

#: With so many devices of a kind a trial stays short.
_FEW = 2


def lead(scenario: str, folder: Path, procedure: str, mood: str, *, as_json: bool) -> int:
    """Lead through the procedure; the exit code. scenario: as the lineup's process finds it.

    Raises InputError for an unknown procedure or mood.
    """
    from probe.collect.inputs import open_lineup
    from probe.collect.procedures import open_procedure
    from probe.practice.crew import Mood
    from probe.practice.served import LineupFailed, served_with_operator

    moods = tuple(one.value for one in Mood)
    if mood not in moods:
        raise InputError([_no_mood(mood, moods)])
    opened, text = open_procedure(procedure)
    say(
        "The operator at the gear is scripted too: at your GO it acts by itself, about a second later.",
        error=as_json,
    )
    try:
        with served_with_operator(scenario, folder) as (map_path, tell):
            lineup, warnings = open_lineup(map_path)
            failure.warn_problems(warnings)
            lineup = replace(lineup, sheet_texts=(text,))
            choice = Choice(only=_few(lineup, opened.for_each))
            return begin(
                lineup,
                scope_of(lineup, [opened], choice),
                choice,
                Wishes(as_json=as_json, practice=True),
                record=folder / "MSB-1-witness.audit.jsonl",
                on_go=lambda item, round_: tell(item.step.act, item.about, mood if round_ == 1 else "right"),
            )
    except LineupFailed as failed:
        what = f"the practice lineup could not be started: {failed}"
        raise InputError([Problem(file="the practice lineup", what=what)]) from failed


def _few(lineup: Lineup, for_each: str) -> tuple[str, ...]:
    """The first devices that the procedure is for: two feeders, not mains; none for a bus or the lineup."""
    tags = [d.tag for d in lineup.map.devices if d.kind.value == for_each and not d.tag.startswith("52-M")]
    closed = [tag for tag in tags if lineup.map.by_tag[tag].state.breaker == "closed"]
    return tuple((closed or tags)[:_FEW])


def _no_mood(mood: str, moods: tuple[str, ...]) -> Problem:
    return Problem(
        file="--operator-does",
        what="the scripted operator does not know this",
        found=mood,
        allowed=", ".join(moods),
        remedy=did_you_mean(mood, moods) or "leave it out: it does it right",
    )
