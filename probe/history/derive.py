"""Derive: all that follows from the runs of a lineup in the order of time, step by step or made again whole.

The same rules do both, so that importing old records at any time gives the same history as living through it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, bindparam, delete, insert, select, update

from probe.history import schema
from probe.history.blocks import Block, Layouts
from probe.history.chunks import add_span, drop_spans
from probe.history.digest import Fact, RunDigest, Said, Series
from probe.history.life import Change, Known, Life, Moment, Turn, apply, changes, turn
from probe.history.pack import SPAN, code_of, verdict_of
from probe.history.rows import id_by_hash
from probe.history.texts import facts_of, pack_facts, said_of
from probe.model.finding import Verdict

# Made once: to build a statement costs more than to run it.
_LINEUP = (
    select(schema.lineup)
    .where(schema.lineup.c.site == bindparam("of_site"), schema.lineup.c.name == bindparam("of_name"))
    .with_for_update()
)
_UPDATE_LINEUP = (
    update(schema.lineup)
    .where(schema.lineup.c.id == bindparam("of_id"))
    .values(
        {name: bindparam(name) for name in ("latest_run", "latest_ns", "known_sheet", "loose", "spanned_ns")}
    )
)
_OPEN_LIVES = select(schema.life).where(
    schema.life.c.lineup_id == bindparam("of_lineup"), schema.life.c.closed_ns.is_(None)
)


def locked_lineup(connection: Connection, site: str, name: str) -> Any:
    """The lineup's row, made if it is new, and held until the transaction ends: one writer at a time."""
    table = schema.lineup
    row = connection.execute(_LINEUP, {"of_site": site, "of_name": name}).one_or_none()
    if row is None:
        if connection.dialect.name == "postgresql":
            from sqlalchemy.dialects.postgresql import insert as insert_unless

            connection.execute(insert_unless(table).values(site=site, name=name).on_conflict_do_nothing())
        else:
            connection.execute(insert(table).values(site=site, name=name))
        row = connection.execute(_LINEUP, {"of_site": site, "of_name": name}).one()
    return row


def advance(
    connection: Connection, lineup: Any, moment: Moment, digest: RunDigest, sheet_id: int
) -> tuple[Turn, tuple[Change, ...]]:
    """Bring a lineup's derived rows from the state before its latest run to the state after it."""
    known_sheet, changed = _facts_after(connection, lineup, moment, digest.facts, sheet_id)
    done = turn(_open_lives(connection, lineup.id), moment, digest.said, digest.verdicts, digest.tested)
    _write_turn(connection, lineup.id, done)
    _write_changes(connection, lineup.id, changed)
    loose, spanned_ns = lineup.loose + 1, lineup.spanned_ns
    if loose >= 2 * SPAN:
        packed, spanned_ns = _add_span(connection, lineup.id, spanned_ns)
        loose -= packed
    values = {"latest_run": moment.run, "latest_ns": moment.at_ns, "known_sheet": known_sheet}
    connection.execute(
        _UPDATE_LINEUP, {"of_id": lineup.id, "loose": loose, "spanned_ns": spanned_ns, **values}
    )
    return done, changed


def make_again(connection: Connection, lineup_id: int) -> None:
    """Make all derived rows of a lineup again from its runs."""
    drop_spans(connection, lineup_id)
    for table in (schema.life, schema.change):
        connection.execute(delete(table).where(table.c.lineup_id == lineup_id))
    known = Known()
    lives: list[Life] = []
    changed: list[Change] = []
    moments = []
    for moment, facts, verdicts, said, tested in _runs_in_order(connection, lineup_id):
        moments.append(moment)
        done = turn(known.open, moment, said, verdicts, tested)
        apply(known.open, done)
        lives += done.closed
        news = changes(known.facts, moment, facts)
        known.facts.update({one.fact: one.after or "" for one in news})
        changed += news
    _insert_lives(connection, lineup_id, [*lives, *known.open.values()])
    _write_changes(connection, lineup_id, changed)
    loose, spanned_ns = len(moments), 0
    while loose >= 2 * SPAN:
        packed, spanned_ns = _add_span(connection, lineup_id, spanned_ns)
        loose -= packed
    last = moments[-1] if moments else Moment(0, 0)
    connection.execute(
        update(schema.lineup)
        .where(schema.lineup.c.id == lineup_id)
        .values(
            latest_run=last.run or None,
            latest_ns=last.at_ns,
            known_sheet=_sheet_of(connection, lineup_id, known.facts) if moments else None,
            loose=loose,
            spanned_ns=spanned_ns,
        )
    )


# facts ------------------------------------------------------------------------------------------------------


def _facts_after(
    connection: Connection, lineup: Any, moment: Moment, facts: Mapping[Fact, str], sheet_id: int
) -> tuple[int, tuple[Change, ...]]:
    """Sheet of what is known after this run, and what changed."""
    if lineup.known_sheet == sheet_id:
        return sheet_id, ()
    known = _facts_at(connection, lineup.known_sheet)
    news = changes(known, moment, facts)
    if not news:
        return lineup.known_sheet or sheet_id, ()
    known.update(facts)
    return _sheet_of(connection, lineup.id, known), news


def _facts_at(connection: Connection, sheet_id: int | None) -> dict[Fact, str]:
    if sheet_id is None:
        return {}
    return facts_of(
        connection.execute(select(schema.sheet.c.facts).where(schema.sheet.c.id == sheet_id)).scalar_one()
    )


def _sheet_of(connection: Connection, lineup_id: int, facts: Mapping[Fact, str]) -> int:
    code, data = pack_facts(facts)
    return id_by_hash(connection, schema.sheet, lineup_id, code, {"facts": data})


def _write_changes(connection: Connection, lineup_id: int, changed: Sequence[Change]) -> None:
    if changed:
        connection.execute(
            insert(schema.change),
            [
                {
                    "lineup_id": lineup_id,
                    "run_id": one.moment.run,
                    "at_ns": one.moment.at_ns,
                    "kind": one.fact.kind,
                    "subject": one.fact.subject,
                    "name": one.fact.name,
                    "before": one.before,
                    "after": one.after,
                }
                for one in changed
            ],
        )


# lives ------------------------------------------------------------------------------------------------------


def life_of(row: Any) -> Life:
    """A row of the table as a life."""
    return Life(
        row.finding,
        verdict_of(row.verdict) or Verdict.NOT_TESTED,
        row.title,
        row.danger,
        row.cause,
        Moment(row.opened_run, row.opened_ns),
        None if row.closed_ns is None else Moment(row.closed_run, row.closed_ns),
        row.times,
    )


def _open_lives(connection: Connection, lineup_id: int) -> dict[str, Life]:
    rows = connection.execute(_OPEN_LIVES, {"of_lineup": lineup_id})
    return {row.finding: life_of(row) for row in rows}


def _write_turn(connection: Connection, lineup_id: int, done: Turn) -> None:
    _insert_lives(connection, lineup_id, done.opened)
    table = schema.life
    for life in (*done.changed, *done.closed):
        where = (
            (table.c.lineup_id == lineup_id)
            & (table.c.finding == life.finding)
            & (table.c.opened_ns == life.opened.at_ns)
        )
        connection.execute(update(table).where(where).values(_row_of(lineup_id, life)))


def _insert_lives(connection: Connection, lineup_id: int, lives: Sequence[Life]) -> None:
    if lives:
        ordered = sorted(lives, key=lambda life: (life.opened.at_ns, life.finding))
        connection.execute(insert(schema.life), [_row_of(lineup_id, life) for life in ordered])


def _row_of(lineup_id: int, life: Life) -> dict[str, Any]:
    return {
        "lineup_id": lineup_id,
        "finding": life.finding,
        "subject": life.subject,
        "verdict": code_of(life.verdict),
        "title": life.title,
        "danger": life.danger,
        "cause": life.cause,
        "opened_ns": life.opened.at_ns,
        "opened_run": life.opened.run,
        "closed_ns": life.closed.at_ns if life.closed else None,
        "closed_run": life.closed.run if life.closed else None,
        "times": life.times,
    }


# runs -------------------------------------------------------------------------------------------------------

_Replayed = tuple[Moment, Mapping[Fact, str], Mapping[Series, Verdict], tuple[Said, ...], frozenset[str]]


def _runs_in_order(connection: Connection, lineup_id: int) -> Iterator[_Replayed]:
    layouts = Layouts(connection, lineup_id)
    sheets: dict[int, Mapping[Fact, str]] = {}
    table = schema.run
    rows = connection.execute(
        select(
            table.c.id,
            table.c.started_ns,
            table.c.layout_id,
            table.c.sheet_id,
            table.c.verdicts,
            table.c.said,
        )
        .where(table.c.lineup_id == lineup_id)
        .order_by(table.c.started_ns, table.c.code)
    ).all()
    for row in rows:
        if row.sheet_id not in sheets:
            sheets[row.sheet_id] = _facts_at(connection, row.sheet_id)
        said, _, tested = said_of(row.said)
        verdicts = Block(layouts.at(row.layout_id), row.verdicts, b"").verdicts(layouts.names())
        yield Moment(row.id, row.started_ns), sheets[row.sheet_id], verdicts, said, tested


def _add_span(connection: Connection, lineup_id: int, after_ns: int) -> tuple[int, int]:
    """Pack the next ``SPAN`` runs (more where several began at one instant): how many, start of the last."""
    table = schema.run
    loose = (table.c.lineup_id == lineup_id) & (table.c.started_ns > after_ns)
    last_ns = connection.execute(
        select(table.c.started_ns).where(loose).order_by(table.c.started_ns).offset(SPAN - 1).limit(1)
    ).scalar_one()
    rows = connection.execute(
        select(table.c.started_ns, table.c.layout_id, table.c.verdicts, table.c.numbers)
        .where(loose, table.c.started_ns <= last_ns)
        .order_by(table.c.started_ns, table.c.code)
    ).all()
    layouts = Layouts(connection, lineup_id)
    blocks = [Block(layouts.at(row.layout_id), row.verdicts, row.numbers) for row in rows]
    add_span(connection, lineup_id, [row.started_ns for row in rows], blocks)
    return len(rows), int(last_ns)
