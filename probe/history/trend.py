"""Trend: one series of a lineup over time, from chunks and the runs that are in none yet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, select

from probe.history import schema
from probe.history.blocks import Layouts
from probe.history.pack import is_absent, numbers_of, verdict_codes, verdict_of, whole_of
from probe.history.store import History
from probe.model.finding import Verdict


class Followed(NamedTuple):
    """A series that can be followed, with its id."""

    id: int
    is_number: bool
    subject: str
    name: str
    unit: str


class Point(NamedTuple):
    """Value of a series in the run that began then (wall nanoseconds)."""

    at_ns: int
    value: float | Verdict


def series_in(history: History, lineup_id: int, subject: str = "") -> tuple[Followed, ...]:
    """The series of a lineup (of one subject), by name."""
    table = schema.series
    wanted = select(table.c.id, table.c.is_number, table.c.subject, table.c.name, table.c.unit).where(
        table.c.lineup_id == lineup_id
    )
    if subject:
        wanted = wanted.where(table.c.subject == subject)
    with history.reading() as connection:
        rows = connection.execute(wanted.order_by(table.c.subject, table.c.name)).all()
    return tuple(Followed(*row) for row in rows)


def trend(
    history: History, lineup_id: int, series: Followed, *, since_ns: int = 0, until_ns: int = 2**63 - 1
) -> tuple[Point, ...]:
    """What the runs between these times (their starts, wall nanoseconds, both included) say, oldest first."""
    with history.reading() as connection:
        points = [
            *_from_chunks(connection, lineup_id, series, since_ns, until_ns),
            *_from_runs(connection, lineup_id, series, since_ns, until_ns),
        ]
    return tuple(point for point in points if since_ns <= point.at_ns <= until_ns)


def _from_chunks(
    connection: Connection, lineup_id: int, series: Followed, since_ns: int, until_ns: int
) -> Iterator[Point]:
    chunk, span = schema.chunk, schema.span
    rows = connection.execute(
        select(span.c.times, chunk.c.data)
        .join(span, span.c.id == chunk.c.span_id)
        .where(
            chunk.c.series_id == series.id,
            span.c.lineup_id == lineup_id,
            span.c.last_ns >= since_ns,
            span.c.first_ns <= until_ns,
        )
        .order_by(span.c.first_ns)
    )
    for times, data in rows:
        yield from _points(series, whole_of(times), data)


def _points(series: Followed, times: Sequence[int], data: bytes, first: int = 0) -> Iterator[Point]:
    """Points from a row of values that belong to these times, from the value at ``first`` on."""
    if series.is_number:
        for at_ns, number in zip(times, numbers_of(data)[first:], strict=False):
            if not is_absent(number):
                yield Point(at_ns, number)
        return
    for at_ns, code in zip(times, verdict_codes(data)[first:], strict=False):
        if (verdict := verdict_of(code)) is not None:
            yield Point(at_ns, verdict)


def _from_runs(
    connection: Connection, lineup_id: int, series: Followed, since_ns: int, until_ns: int
) -> Iterator[Point]:
    """Runs that are in no span yet, each unpacked by itself."""
    table = schema.run
    spanned_ns = select(schema.lineup.c.spanned_ns).where(schema.lineup.c.id == lineup_id).scalar_subquery()
    block = table.c.numbers if series.is_number else table.c.verdicts
    rows = connection.execute(
        select(table.c.started_ns, table.c.layout_id, block)
        .where(
            table.c.lineup_id == lineup_id,
            table.c.started_ns > spanned_ns,
            table.c.started_ns.between(since_ns, until_ns),
        )
        .order_by(table.c.started_ns, table.c.code)
    ).all()
    layouts = Layouts(connection, lineup_id)
    places: dict[int, int] = {}
    for at_ns, layout_id, data in rows:
        if layout_id not in places:
            layout = layouts.at(layout_id)
            ids = layout.numbers if series.is_number else layout.verdicts
            places[layout_id] = ids.index(series.id) if series.id in ids else -1
        if (place := places[layout_id]) >= 0:
            yield from _points(series, (at_ns,), data, place)
