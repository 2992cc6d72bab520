"""Status: how every lineup of the fleet stands, from its latest run; one query, however long it is."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import select

from probe.history import schema
from probe.history.derive import life_of
from probe.history.digest import Said, SaidCause
from probe.history.life import Life
from probe.history.store import History
from probe.history.texts import said_of


class Standing(NamedTuple):
    """A lineup and the counts of its latest run. Times: wall nanoseconds. code: of that run's record."""

    lineup_id: int
    site: str
    lineup: str
    run_id: int
    started_ns: int
    finished_ns: int
    complete: bool
    passes: int
    fails: int
    reviews: int
    untested: int
    code: str
    place: str


def standings(history: History) -> tuple[Standing, ...]:
    """Every lineup that has a run, by site and name."""
    lineup, run = schema.lineup, schema.run
    wanted = (
        select(
            lineup.c.id,
            lineup.c.site,
            lineup.c.name,
            run.c.id,
            run.c.started_ns,
            run.c.finished_ns,
            run.c.complete,
            run.c.passes,
            run.c.fails,
            run.c.reviews,
            run.c.untested,
            run.c.code,
            run.c.place,
        )
        .join(run, run.c.id == lineup.c.latest_run)
        .order_by(lineup.c.site, lineup.c.name)
    )
    with history.reading() as connection:
        return tuple(Standing._make(row) for row in connection.execute(wanted))


def kept_codes(history: History) -> frozenset[str]:
    """Codes of the records of all runs that the history holds."""
    with history.reading() as connection:
        return frozenset(connection.execute(select(schema.run.c.code)).scalars())


def open_lives(history: History, lineup_id: int) -> tuple[Life, ...]:
    """Findings that are open, the most dangerous first."""
    table = schema.life
    wanted = (
        select(table)
        .where(table.c.lineup_id == lineup_id, table.c.closed_ns.is_(None))
        .order_by(table.c.danger.desc(), table.c.opened_ns, table.c.finding)
    )
    with history.reading() as connection:
        return tuple(life_of(row) for row in connection.execute(wanted))


def said_at(history: History, run_id: int) -> tuple[tuple[Said, ...], tuple[SaidCause, ...]]:
    """What a run said in words: bad findings and causes."""
    table = schema.run
    with history.reading() as connection:
        packed = connection.execute(select(table.c.said).where(table.c.id == run_id)).scalar_one()
    said, causes, _ = said_of(packed)
    return said, causes
