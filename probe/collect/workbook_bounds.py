"""How large the sheets of a workbook are, found out before anything makes room for them.

The library that reads workbooks makes room for every cell between the first and the last that hold something.
One stray value in the last cell of a sheet is then 17 thousand million cells, and ends the process. So the
sheets are walked through first, in constant memory; what reaches too far or unpacks to too much is refused.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from typing import Any
from xml.parsers import expat

from probe.model.errors import InputError, Problem
from probe.model.sheet import letters

#: Bytes of all parts together when unpacked; a schedule of 4,000 devices has about 10 MB.
MOST_UNPACKED = 256 * 1024 * 1024
#: Cells of a sheet from its first to its last row and column: 50,000 rows of 200 columns.
MOST_CELLS = 10_000_000
_CHUNK = 256 * 1024
_REFERENCE = re.compile(r"([A-Z]{1,4})(\d{1,8})")
_HELD = frozenset({"v", "is", "f"})


def refuse_too_large(name: str, data: bytes) -> None:
    """Raise InputError for a workbook (a ZIP file) that cannot be read in bounded memory."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
            if sum(part.file_size for part in parts) > MOST_UNPACKED:
                raise InputError([_unpacks_to_too_much(name)])
            sheets = [reach for part in parts if (reach := _reach(name, archive, part)) is not None]
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        OSError,
        NotImplementedError,
        RuntimeError,
        ValueError,
    ) as error:
        raise InputError([_unreadable(name, str(error))]) from error
    if not sheets:
        raise InputError([_no_sheets(name)])
    for rows, columns in sheets:
        if rows * columns > MOST_CELLS:
            raise InputError([_reaches_too_far(name, rows, columns)])


def _reach(name: str, archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> tuple[int, int] | None:
    """Last row and column of a part that hold something; None if the part is no sheet.

    Every part is read to its end: the archive's own word for its size is thereby checked.
    """
    walk = _Walk()
    for chunk in _chunks(archive, part):
        if walk.goes_on:
            try:
                walk.feed(chunk)
            except expat.ExpatError as error:
                if walk.is_sheet:
                    raise InputError([_unreadable(name, f"{part.filename}: {error}")]) from error
                walk.goes_on = False
    return (walk.rows, walk.columns) if walk.is_sheet else None


def _chunks(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> Iterator[bytes]:
    with archive.open(part) as file:
        while chunk := file.read(_CHUNK):
            yield chunk


class _Walk:
    """Goes through the XML of a part; rows and columns: the last that hold something."""

    def __init__(self) -> None:
        self.rows = self.columns = 0
        self.is_sheet = False
        self.goes_on = True
        self._begun = False
        self._row = self._column = 0
        # The declared encoding is overridden: the library that reads the cells takes all for UTF-8, too.
        self._parser = expat.ParserCreate("utf-8")
        self._parser.StartElementHandler = self._start
        self._parser.StartDoctypeDeclHandler = self._no_doctype

    def feed(self, chunk: bytes) -> None:
        """Take the next bytes. Raises ExpatError."""
        self._parser.Parse(chunk if self._begun else chunk.lstrip(), False)
        self._begun = True

    def _no_doctype(self, *_: Any) -> None:
        raise expat.ExpatError("a document type does not belong into a workbook")

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        plain = tag.rpartition(":")[2]
        if not self.is_sheet:
            self.is_sheet = self.goes_on = plain == "worksheet"
            if not self.is_sheet:
                self._parser.StartElementHandler = None
            return
        if plain == "row":
            given = attributes.get("r", "")
            self._row = int(given) if given.isdecimal() and len(given) < 9 else self._row + 1
            self._column = 0
        elif plain == "c":
            match = _REFERENCE.fullmatch(attributes.get("r", ""))
            self._row = int(match[2]) if match else self._row
            self._column = _number(match[1]) if match else self._column + 1
        elif plain in _HELD:
            self.rows, self.columns = max(self.rows, self._row), max(self.columns, self._column)


def _number(text: str) -> int:
    """The number of a column of these letters, from 1."""
    number = 0
    for letter in text:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number


def _reaches_too_far(name: str, rows: int, columns: int) -> Problem:
    return Problem(
        file=name,
        what="a sheet of the workbook reaches too far to be a table of devices",
        found=f"something in row {rows:,} and in column {letters(columns)}",
        allowed=f"at most {MOST_CELLS:,} cells from the first to the last",
        remedy="delete the rows and columns behind the table, also those that look empty; or save it as CSV",
    )


def _unpacks_to_too_much(name: str) -> Problem:
    return Problem(
        file=name,
        what="the workbook unpacks to too much",
        allowed=f"at most {MOST_UNPACKED // 1024 // 1024} MB",
        remedy="save the sheet of the devices alone, or as CSV",
    )


def _no_sheets(name: str) -> Problem:
    return Problem(
        file=name,
        what="no sheets of a workbook are in the file",
        allowed="CSV or XLSX",
        remedy="save it as XLSX",
    )


def _unreadable(name: str, found: str) -> Problem:
    remedy = "is it protected by a password? Save it again as .xlsx, without one, or as CSV"
    return Problem(file=name, what="the workbook cannot be read", found=found[:120], remedy=remedy)
