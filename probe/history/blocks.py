"""Blocks: one run's verdicts and numbers as they lie in the database, and the layouts that name them."""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from typing import NamedTuple

from sqlalchemy import Connection, select

from probe.history import schema
from probe.history.digest import Series
from probe.history.pack import numbers_of, verdict_codes, verdict_of, whole_of
from probe.model.finding import Verdict


class Layout(NamedTuple):
    """Ids of the series in the order of a block."""

    verdicts: array[int]
    numbers: array[int]


class Layouts:
    """The layouts of one lineup, each read once."""

    def __init__(self, connection: Connection, lineup_id: int) -> None:
        self._connection = connection
        self._lineup_id = lineup_id
        self._known: dict[int, Layout] = {}
        self._names: dict[int, Series] = {}

    def at(self, layout_id: int) -> Layout:
        """The layout with this id."""
        if layout_id not in self._known:
            table = schema.layout
            row = self._connection.execute(
                select(table.c.verdicts, table.c.numbers).where(table.c.id == layout_id)
            ).one()
            verdicts = whole_of(row.verdicts)
            self._known[layout_id] = Layout(verdicts, whole_of(row.numbers))
        return self._known[layout_id]

    def names(self) -> Mapping[int, Series]:
        """The series of verdicts by their id."""
        if not self._names:
            table = schema.series
            rows = self._connection.execute(
                select(table.c.id, table.c.subject, table.c.name, table.c.unit).where(
                    table.c.lineup_id == self._lineup_id, table.c.is_number.is_(False)
                )
            )
            self._names = {found: Series(*rest) for found, *rest in rows}
        return self._names


class Block(NamedTuple):
    """One run. Its two rows of bytes are unpacked only when they are asked for."""

    layout: Layout
    packed_verdicts: bytes
    packed_numbers: bytes

    def verdicts(self, names: Mapping[int, Series]) -> dict[Series, Verdict]:
        """Verdict by series."""
        return {
            names[one]: verdict
            for one, code in self.codes_by_series().items()
            if (verdict := verdict_of(code)) is not None
        }

    def codes_by_series(self) -> dict[int, int]:
        """Verdict code by the series' id."""
        return dict(zip(self.layout.verdicts, verdict_codes(self.packed_verdicts), strict=True))

    def numbers_by_series(self) -> dict[int, float]:
        """Number by the series' id."""
        return dict(zip(self.layout.numbers, numbers_of(self.packed_numbers), strict=True))
