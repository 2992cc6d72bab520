"""Retention: how long runs stay in the history. Records stay; what was pruned can be imported again."""

from __future__ import annotations

from sqlalchemy import Connection, delete, select

from probe.history import derive, schema
from probe.history.store import History


def prune(history: History, before_ns: int) -> int:
    """Delete the runs that began before the time; how many.

    Accepted baselines stay, and each lineup's latest run. Lives and changes are made again from what is left,
    one lineup a transaction, so that nobody who keeps a run waits long.
    """
    run, lineup = schema.run, schema.lineup
    with history.reading() as connection:
        lineups = connection.execute(select(lineup.c.id, lineup.c.latest_run, lineup.c.baseline_run)).all()
    pruned = 0
    for lineup_id, *kept in lineups:
        old = (
            (run.c.lineup_id == lineup_id)
            & (run.c.started_ns < before_ns)
            & run.c.id.not_in([one for one in kept if one is not None])
        )
        with history.writing() as connection:
            gone = connection.execute(delete(run).where(old)).rowcount
            if gone:
                derive.make_again(connection, lineup_id)
                _forget_unused(connection, lineup_id)
        pruned += gone
    return pruned


def _forget_unused(connection: Connection, lineup_id: int) -> None:
    """Layouts and sheets that no run needs any more."""
    run, lineup = schema.run, schema.lineup
    used_layouts = select(run.c.layout_id).where(run.c.lineup_id == lineup_id)
    known = select(lineup.c.known_sheet).where(lineup.c.id == lineup_id, lineup.c.known_sheet.is_not(None))
    used_sheets = select(run.c.sheet_id).where(run.c.lineup_id == lineup_id).union(known)
    for table, used in ((schema.layout, used_layouts), (schema.sheet, used_sheets)):
        connection.execute(delete(table).where(table.c.lineup_id == lineup_id, table.c.id.not_in(used)))
