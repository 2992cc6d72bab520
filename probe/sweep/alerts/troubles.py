"""Troubles of a lineup after a run: open findings, grouped by cause, so that a dead gateway is one alert."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from probe.history.digest import SaidCause
from probe.history.life import Change, Life
from probe.history.slot_book import SlotState
from probe.model.finding import Verdict

RUN = "run"


class Trouble(NamedTuple):
    """One thing that people are told of while it lasts. key: the same in every run; members: findings."""

    key: str
    verdict: Verdict
    danger: int
    title: str
    members: tuple[str, ...] = ()


def troubles_of(lives: Iterable[Life], causes: Iterable[SaidCause]) -> tuple[Trouble, ...]:
    """Open findings as troubles, the most dangerous first."""
    statements = {cause.id: cause.statement for cause in causes}
    groups: dict[str, list[Life]] = defaultdict(list)
    for life in lives:
        groups[f"cause {life.cause}" if life.cause else f"finding {life.finding}"].append(life)
    made = [_trouble(key, members, statements) for key, members in groups.items()]
    return tuple(sorted(made, key=lambda one: (-one.danger, one.key)))


def _trouble(key: str, members: Sequence[Life], statements: dict[str, str]) -> Trouble:
    first = max(members, key=lambda life: life.danger)
    statement = statements.get(first.cause) or (first.cause if first.cause else "")
    return Trouble(
        key,
        Verdict.FAIL if any(life.verdict is Verdict.FAIL for life in members) else Verdict.REVIEW,
        first.danger,
        statement or f"{first.subject}: {first.title}",
        tuple(sorted(life.finding for life in members)),
    )


def no_run(state: SlotState, why: str) -> Trouble | None:
    """A start that gave no verdicts; None if it did."""
    if state in (SlotState.DONE, SlotState.KNOWN, SlotState.RUNNING):
        return None
    return Trouble(RUN, Verdict.FAIL, 5, f"no complete run: {state.value}{f', {why}' if why else ''}")


def news_of(changes: Iterable[Change]) -> tuple[str, ...]:
    """Facts that changed, in words; what was seen for the first time is no news."""
    return tuple(
        f"{one.fact.subject}: {one.fact.name} was {one.before}, is {one.after}"
        for one in changes
        if one.before is not None
    )
