"""Lives of findings and changes of facts, run by run in the order of time: pure, to be made again at will.

A finding opens with the run that first shows it (fail or review), lives while runs show it, and closes with
the first run that shows otherwise: its check passes, or the device was tested and the finding is not there
any more. A run that did not test it closes nothing: silence is no cure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from probe.history.digest import Fact, Said, Series
from probe.model.finding import Verdict

LINEUP = "lineup"


class Moment(NamedTuple):
    """Which run, and when it began (wall nanoseconds)."""

    run: int
    at_ns: int


class Life(NamedTuple):
    """One life of a finding. closed: None while it is open; times: how often its verdict or title changed."""

    finding: str
    verdict: Verdict
    title: str
    danger: int
    cause: str
    opened: Moment
    closed: Moment | None = None
    times: int = 0

    @property
    def subject(self) -> str:
        """Tag of the device, or ``lineup``."""
        return series_of(self.finding).subject


class Change(NamedTuple):
    """A fact that is another one than before. before, after: None where it was not there."""

    moment: Moment
    fact: Fact
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class Turn:
    """What one run does to the lives: opened, changed (still open), closed."""

    opened: tuple[Life, ...] = ()
    changed: tuple[Life, ...] = ()
    closed: tuple[Life, ...] = ()


@dataclass(slots=True)
class Known:
    """The state after the runs so far: open lives by finding, and the last that was seen of every fact."""

    open: dict[str, Life] = field(default_factory=dict)
    facts: dict[Fact, str] = field(default_factory=dict)


def series_of(finding: str) -> Series:
    """``check@subject#point`` as the series of its verdicts."""
    check, _, rest = finding.partition("@")
    subject, _, point = rest.partition("#")
    return Series(subject, f"{check}#{point}" if point else check)


def turn(
    open_lives: Mapping[str, Life],
    moment: Moment,
    said: Iterable[Said],
    verdicts: Mapping[Series, Verdict],
    tested: frozenset[str],
) -> Turn:
    """What the run of this moment does to the lives that were open before it."""
    opened, changed = [], []
    shown = {one.finding: one for one in said}
    for name, one in shown.items():
        old = open_lives.get(name)
        if old is None:
            opened.append(Life(name, one.verdict, one.title, one.danger, one.cause, moment))
        elif (old.verdict, old.title, old.cause) != (one.verdict, one.title, one.cause):
            more = old.times + ((old.verdict, old.title) != (one.verdict, one.title))
            changed.append(old._replace(verdict=one.verdict, title=one.title, cause=one.cause, times=more))
    closed = tuple(
        old._replace(closed=moment)
        for name, old in open_lives.items()
        if name not in shown and _is_over(series_of(name), verdicts, tested)
    )
    return Turn(tuple(opened), tuple(changed), closed)


def apply(open_lives: dict[str, Life], done: Turn) -> None:
    """Bring the open lives to the state after the turn."""
    for life in (*done.opened, *done.changed):
        open_lives[life.finding] = life
    for life in done.closed:
        del open_lives[life.finding]


def _is_over(series: Series, verdicts: Mapping[Series, Verdict], tested: frozenset[str]) -> bool:
    verdict = verdicts.get(series)
    if verdict is not None:
        return verdict is Verdict.PASS
    check = series.name.partition("#")[0]
    whole = verdicts.get(Series(series.subject, check))
    return series.subject in tested and whole is not Verdict.NOT_TESTED


def changes(known: Mapping[Fact, str], moment: Moment, facts: Mapping[Fact, str]) -> tuple[Change, ...]:
    """Facts that are others than last seen; what a run does not tell has not changed."""
    return tuple(
        Change(moment, fact, known.get(fact), value)
        for fact, value in sorted(facts.items())
        if known.get(fact) != value
    )
