"""Baseline: the run that people accepted, and how facts stand against it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from sqlalchemy import Connection, select, update

from probe.history import schema
from probe.history.digest import Fact
from probe.history.store import History
from probe.history.texts import facts_of


class Baseline(NamedTuple):
    """The run that others are held against. accepted: False for the first complete run, for want of one."""

    run_id: int
    started_ns: int
    code: str
    accepted: bool


class Deviation(NamedTuple):
    """A fact that is not what it was. before, after: None where one of the two does not tell it."""

    fact: Fact
    before: str | None
    after: str | None


def accept(history: History, lineup_id: int, code: str) -> bool:
    """Make the run of this record the baseline; False if the history does not have it."""
    run, lineup = schema.run, schema.lineup
    with history.writing() as connection:
        found = connection.execute(
            select(run.c.id).where(run.c.lineup_id == lineup_id, run.c.code == code)
        ).scalar()
        if found is None:
            return False
        connection.execute(update(lineup).where(lineup.c.id == lineup_id).values(baseline_run=found))
    return True


def baseline(history: History, lineup_id: int) -> Baseline | None:
    """The accepted run, or else the first complete one; None if there is none."""
    run = schema.run
    columns = (run.c.id, run.c.started_ns, run.c.code)
    with history.reading() as connection:
        accepted = connection.execute(
            select(*columns)
            .join(schema.lineup, schema.lineup.c.baseline_run == run.c.id)
            .where(schema.lineup.c.id == lineup_id)
        ).one_or_none()
        if accepted is not None:
            return Baseline(*accepted, accepted=True)
        first = connection.execute(
            select(*columns)
            .where(run.c.lineup_id == lineup_id, run.c.complete.is_(True))
            .order_by(run.c.started_ns)
            .limit(1)
        ).one_or_none()
    return None if first is None else Baseline(*first, accepted=False)


def deviations(history: History, lineup_id: int, against: Baseline) -> tuple[Deviation, ...]:
    """Facts that are others now than in the baseline; what one of the two does not tell is left out."""
    with history.reading() as connection:
        before = _facts(connection, select(schema.run.c.sheet_id).where(schema.run.c.id == against.run_id))
        now = _facts(connection, select(schema.lineup.c.known_sheet).where(schema.lineup.c.id == lineup_id))
    return tuple(
        Deviation(fact, value, now[fact])
        for fact, value in sorted(before.items())
        if now.get(fact, value) != value
    )


def _facts(connection: Connection, sheet: Any) -> Mapping[Fact, str]:
    sheet_id = connection.execute(sheet).scalar()
    if sheet_id is None:
        return {}
    packed = connection.execute(
        select(schema.sheet.c.facts).where(schema.sheet.c.id == sheet_id)
    ).scalar_one()
    return facts_of(packed)
