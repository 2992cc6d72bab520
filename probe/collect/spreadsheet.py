"""Reads a schedule file (CSV or XLSX) into a sheet: encoding, separator and sheet found out and told."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from probe.collect.inputs import read_bytes
from probe.collect.workbook_bounds import refuse_too_large
from probe.model.errors import InputError, Problem
from probe.model.nearest import did_you_mean, listed
from probe.model.schedule_words import heading_field
from probe.model.sheet import Cell, CellKind, Sheet

#: A schedule of 4,000 devices has about 1 MB.
LIMIT_BYTES = 16 * 1024 * 1024
LIMIT_ROWS = 50_000
LIMIT_COLUMNS = 200

#: What a heading means; None for a foreign one.
Known = Callable[[str], object | None]

_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_WORKBOOKS = frozenset({".xlsx", ".xlsm", ".xls", ".xlsb", ".ods"})
_ZIP = b"PK\x03\x04"
_OLE = b"\xd0\xcf\x11\xe0"


def read_sheet(path: Path, sheet: str | None = None, known: Known = heading_field) -> Sheet:
    """The table in the file. sheet: name of a workbook's sheet, None for the one that holds headings.

    known: tells what a heading means, None for a foreign one.

    Raises InputError.
    """
    data = read_bytes(path, limit_bytes=LIMIT_BYTES)
    if not data.strip():
        raise InputError([Problem(file=path.as_posix(), what="the schedule is empty")])
    if path.suffix.lower() in _WORKBOOKS or data.startswith((_ZIP, _OLE)):
        return _workbook(path, data, sheet, known)
    if sheet is not None:
        remedy = "leave --sheet out"
        raise InputError([Problem(file=path.as_posix(), what="a text file has no sheets", remedy=remedy)])
    return _separated(path, data, known)


def _separated(path: Path, data: bytes, known: Known) -> Sheet:
    """CSV in any of the encodings and separators that spreadsheet programs write."""
    text, encoding = _text(path, data)
    separator, text, skipped = _separator(text, known)
    rows = []
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=False)
        for record in reader:
            rows.append(_text_row(record, reader.line_num + skipped))
            if len(rows) > LIMIT_ROWS:
                raise InputError([_too_many(path)])
    except csv.Error as error:
        raise InputError([Problem(file=path.as_posix(), what=f"this is no CSV table: {error}")]) from None
    note = f"read as {encoding}, columns separated by {_SEPARATORS[separator]}"
    return Sheet(file=path.as_posix(), rows=tuple(row for row in rows if row), notes=(note,))


def _too_many(path: Path) -> Problem:
    return Problem(file=path.as_posix(), what="too many rows", allowed=f"at most {LIMIT_ROWS:,}")


def _text_row(record: Sequence[str], line: int) -> tuple[Cell, ...]:
    return tuple(Cell(text.strip(), line, i) for i, text in enumerate(record[:LIMIT_COLUMNS], 1))


def _text(path: Path, data: bytes) -> tuple[str, str]:
    """The text and the name of its encoding."""
    for mark, encoding, name in (
        (codecs.BOM_UTF8, "utf-8-sig", "UTF-8"),
        (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
        (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
    ):
        if data.startswith(mark):
            return _decoded(path, data, encoding), name
    if b"\0" in data:
        what = "this is a binary file, not a schedule"
        raise InputError([Problem(file=path.as_posix(), what=what, allowed="CSV or XLSX")])
    try:
        return data.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        return _decoded(path, data, "cp1252"), "Windows-1252"


def _decoded(path: Path, data: bytes, encoding: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(
            [
                Problem(
                    file=path.as_posix(),
                    what="the text's encoding is not known",
                    line=line,
                    found=f"byte 0x{data[error.start]:02X}",
                    allowed="UTF-8, UTF-16 or Windows-1252",
                    remedy="save it as CSV UTF-8 from the spreadsheet program",
                )
            ]
        ) from None


def _separator(text: str, known: Known) -> tuple[str, str, int]:
    """The separator, the text without a ``sep=`` line, and how many lines that took away."""
    first, _, rest = text.partition("\n")
    if first.strip().lower().startswith("sep=") and first.strip()[4:5] in _SEPARATORS:
        return first.strip()[4], rest, 1
    return max(_SEPARATORS, key=lambda sign: _headings(text, sign, known)), text, 0


def _headings(text: str, separator: str, known: Known) -> tuple[int, int]:
    """How many headings the best of the first rows has with the separator, and its columns."""
    best = (0, 0)
    lines = io.StringIO("\n".join(text.splitlines()[:60]), newline="")
    try:
        for record in csv.reader(lines, delimiter=separator):
            best = max(best, (sum(known(cell) is not None for cell in record), len(record)))
    except csv.Error:
        return best
    return best


def _workbook(path: Path, data: bytes, wanted: str | None, known: Known) -> Sheet:
    import python_calamine

    name = path.as_posix()
    if not data.startswith(_OLE):  # the old format cannot be large: 65,536 rows of 256 columns
        refuse_too_large(name, data)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        names = tuple(book.sheet_names)
        if wanted is not None and wanted not in names:
            raise InputError([_no_sheet(name, wanted, names)])
        tables = {title: _table(book.get_sheet_by_name(title)) for title in ((wanted,) if wanted else names)}
    except InputError:
        raise
    except Exception as error:  # calamine raises many of its own; all mean that the file cannot be read
        what = "the workbook cannot be read"
        remedy = "is it protected by a password? Save it again as .xlsx, without one, or as CSV"
        raise InputError([Problem(file=name, what=what, found=str(error)[:120], remedy=remedy)]) from error
    title = wanted or max(tables, key=lambda name: _score(tables[name], known), default="")
    others = [other for other in names if other != title]
    note = f"sheet {title}" + (f"; not read: {', '.join(others)} (choose with --sheet)" if others else "")
    return Sheet(file=name, rows=tables.get(title, ()), title=title, notes=(note,))


def _no_sheet(name: str, wanted: str, names: tuple[str, ...]) -> Problem:
    return Problem(
        file=name,
        what=f"there is no sheet {wanted}",
        found=wanted,
        allowed=listed(names),
        remedy=did_you_mean(wanted, names),
    )


def _score(rows: Sequence[Sequence[Cell]], known: Known) -> int:
    """How many headings the best of the first rows has."""
    return max((sum(known(cell.text) is not None for cell in row) for row in rows[:40]), default=0)


def _table(sheet: Any) -> tuple[tuple[Cell, ...], ...]:
    """The sheet's cells with the rows and columns that a person sees (empty ones at the start count)."""
    rows = []
    for number, record in enumerate(sheet.to_python(skip_empty_area=False)[:LIMIT_ROWS], 1):
        cells = tuple(_cell(value, number, i) for i, value in enumerate(record[:LIMIT_COLUMNS], 1))
        if cells:
            rows.append(cells)
    return tuple(rows)


def _cell(value: Any, row: int, column: int) -> Cell:
    """A workbook's value as a person reads it, and what the program takes it for."""
    if isinstance(value, bool):
        return Cell("yes" if value else "no", row, column, CellKind.TRUTH)
    if isinstance(value, int | float):
        return Cell(_number(value), row, column, CellKind.NUMBER)
    if isinstance(value, date | datetime | time | timedelta):
        return Cell(str(value), row, column, CellKind.DATE)
    return Cell(str(value).strip(), row, column)


def _number(value: float) -> str:
    """The number in plain digits, without the .0 that spreadsheets keep."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e18:
        return str(int(value))
    return repr(value)
