"""Chunks: one series over many runs in one row, so that a year's trend is read in milliseconds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from sqlalchemy import Connection, delete, insert, select

from probe.history import schema
from probe.history.blocks import Block
from probe.history.pack import ABSENT, NO_NUMBER, pack_codes, pack_numbers, pack_whole

_Value = TypeVar("_Value", int, float)


def add_span(connection: Connection, lineup_id: int, times: Sequence[int], blocks: Sequence[Block]) -> None:
    """Pack runs (in the order of their times) into one chunk for each series that any of them holds."""
    span = insert(schema.span).values(
        lineup_id=lineup_id, first_ns=times[0], last_ns=times[-1], times=pack_whole(times)
    )
    made = connection.execute(span).inserted_primary_key
    assert made is not None
    rows = [
        *_turned([block.codes_by_series() for block in blocks], ABSENT, pack_codes),
        *_turned([block.numbers_by_series() for block in blocks], NO_NUMBER, pack_numbers),
    ]
    if rows:
        connection.execute(
            insert(schema.chunk),
            [{"series_id": one, "span_id": made[0], "data": data} for one, data in sorted(rows)],
        )


def drop_spans(connection: Connection, lineup_id: int) -> None:
    """Delete all spans of a lineup and their chunks."""
    spans = select(schema.span.c.id).where(schema.span.c.lineup_id == lineup_id)
    own = select(schema.series.c.id).where(schema.series.c.lineup_id == lineup_id)
    chunk = schema.chunk
    connection.execute(delete(chunk).where(chunk.c.series_id.in_(own), chunk.c.span_id.in_(spans)))
    connection.execute(delete(schema.span).where(schema.span.c.lineup_id == lineup_id))


def _turned(
    runs: Sequence[Mapping[int, _Value]], nothing: _Value, pack: Callable[[Sequence[_Value]], bytes]
) -> list[tuple[int, bytes]]:
    """Rows of runs as columns of series."""
    held = dict.fromkeys(one for run in runs for one in run)
    return [(one, pack([run.get(one, nothing) for run in runs])) for one in held]
