"""A table as a spreadsheet shows it: rows of cells that know their place; what was a text, what a number.

Reading the file (CSV, XLSX) is ``collect.spreadsheet``'s business.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from probe.model.document import shown
from probe.model.errors import Problem


class CellKind(StrEnum):
    """What the spreadsheet program holds in the cell; CSV cells are all text."""

    TEXT = "text"
    NUMBER = "number"
    DATE = "date"
    TRUTH = "truth value"


class Cell(NamedTuple):
    """One cell. text: as a person reads it, without outer spaces. row and column count from 1."""

    text: str
    row: int
    column: int
    kind: CellKind = CellKind.TEXT

    @property
    def name(self) -> str:
        """The cell as spreadsheets call it, such as ``F14``."""
        return f"{letters(self.column)}{self.row}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One table. file: as the user named it; title: name of the sheet, "" for CSV.

    notes: what was found out while reading (encoding, separator, other sheets), for people.
    """

    file: str
    rows: tuple[tuple[Cell, ...], ...]
    title: str = ""
    notes: tuple[str, ...] = ()

    def problem(  # noqa: PLR0913 - the facts of a Problem
        self,
        cell: Cell,
        what: str,
        *,
        heading: str = "",
        found: str | None = None,
        allowed: str = "",
        remedy: str = "",
        severity: str = "error",
    ) -> Problem:
        """A Problem that points at the cell. heading: of its column."""
        return Problem(
            file=self.file,
            what=what,
            line=cell.row,
            column=cell.column,
            field=f"cell {cell.name}" + (f" ({shown(heading)})" if heading else ""),
            found=shown(cell.text) if found is None else found,
            allowed=allowed,
            remedy=remedy,
            severity=severity,
        )


def letters(column: int) -> str:
    """Column number, from 1, as spreadsheets name it: A, B ... Z, AA."""
    text = ""
    while column > 0:
        column, rest = divmod(column - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def filled(row: Sequence[Cell]) -> list[Cell]:
    """The cells of a row that hold something."""
    return [cell for cell in row if cell.text]
