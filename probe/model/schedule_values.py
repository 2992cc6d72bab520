"""One cell of a schedule to the map's words; what a spreadsheet program did to it is found and named.

Spreadsheet programs turn texts into numbers and dates: a serial number into 1E+12, compartment 2-1 into
the second of January, firmware 2.10 into 2.1. What is lost then cannot be brought back, so such a cell is
refused, not repaired.
"""

from __future__ import annotations

import re

from probe.model.document import shown
from probe.model.errors import Problem
from probe.model.schedule_words import STATES, kind_of, state_of
from probe.model.sheet import Cell, CellKind, Sheet

#: Whole numbers above this lose digits in a spreadsheet (15 significant digits; common knowledge, no source).
MOST_DIGITS = 15

_SHORTENED = re.compile(r"\d+(?:[.,]\d+)?[eE]\+\d+")
_WHOLE = re.compile(r"([+-]?\d+)(?:[.,]0+)?")
_THOUSANDS = re.compile(r"\d{1,3}[.,]\d{3}")
_DECIMAL = re.compile(r"(\d+)(?:[.,](\d+))?")
_RATIO = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:/|:)\s*(\d+(?:[.,]\d+)?)")

_WHOLE_FIELDS = frozenset({"port", "unit"})
_AMPERE_FIELDS = frozenset({"frame_a", "sensor_a", "plug_a"})
_RATIO_FIELDS = frozenset({"ct", "vt"})
_WRITTEN_FIELDS = frozenset({"serial", "firmware"})  # a number there was a text once


def value_of(sheet: Sheet, field: str, cell: Cell, heading: str) -> tuple[str, Problem | None]:
    """What the cell means for the field, "" if nothing usable; and what is wrong with it."""
    damage = _damage(sheet, field, cell, heading)
    if damage is not None and damage.severity == "error":
        return "", damage
    if field in _WHOLE_FIELDS:
        return _whole(sheet, cell, heading)
    if field in _AMPERE_FIELDS:
        return _amperes(sheet, cell, heading)
    if field in _RATIO_FIELDS:
        return _ratio(sheet, cell, heading)
    if field == "kind":
        return _kind(sheet, cell, heading)
    if field in STATES:
        return _state(sheet, field, cell, heading)
    return " ".join(cell.text.split()), damage


def _damage(sheet: Sheet, field: str, cell: Cell, heading: str) -> Problem | None:
    """What the spreadsheet program did to a text, as far as it can be seen."""
    if not " ".join(cell.text.split()).isprintable():
        what = "a character that cannot be shown stands in this cell"
        return sheet.problem(cell, what, heading=heading, remedy="delete it: enter the cell again")
    if cell.kind is CellKind.DATE:
        what = "the spreadsheet program made a date of this text"
        remedy = "format the column as text and enter it again"
        return sheet.problem(cell, what, heading=heading, remedy=remedy)
    digits = sum(c.isdigit() for c in cell.text)
    if _SHORTENED.fullmatch(cell.text) or (cell.kind is CellKind.NUMBER and digits > MOST_DIGITS):
        what = "the spreadsheet program made a number of this text and dropped digits"
        remedy = "format the column as text and enter it again, from the drawing or the device"
        return sheet.problem(cell, what, heading=heading, remedy=remedy)
    if cell.kind is CellKind.NUMBER and field in _WRITTEN_FIELDS:
        what = "this text is kept as a number: zeros at its beginning or end may be lost"
        remedy = "compare it with the device; format the column as text to keep it as written"
        return sheet.problem(cell, what, heading=heading, remedy=remedy, severity="warning")
    return None


def _whole(sheet: Sheet, cell: Cell, heading: str) -> tuple[str, Problem | None]:
    match = _WHOLE.fullmatch(cell.text)
    if match:
        return str(int(match.group(1))), None
    return "", sheet.problem(cell, "this is not a whole number", heading=heading, allowed="a whole number")


def _amperes(sheet: Sheet, cell: Cell, heading: str) -> tuple[str, Problem | None]:
    text = re.sub(r"(?i)\s*(?:amps?|a|af|at)\.?$", "", cell.text.strip())
    number, problem = _number(sheet, cell, text, heading)
    return number, problem


def _number(sheet: Sheet, cell: Cell, text: str, heading: str) -> tuple[str, Problem | None]:
    """A number with a decimal point or comma; refused if it could be thousands or a fraction."""
    if cell.kind is not CellKind.NUMBER and _THOUSANDS.fullmatch(text) and not text.startswith("0"):
        what = "this can be read in two ways: as thousands, or with decimals"
        plain = re.sub("[.,]", "", text)
        return "", sheet.problem(cell, what, heading=heading, remedy=f"write {plain} if it is thousands")
    match = _DECIMAL.fullmatch(text)
    if match is None:
        return "", sheet.problem(cell, "this is not a number", heading=heading, allowed="a number, as 800")
    fraction = (match.group(2) or "").rstrip("0")
    return str(int(match.group(1))) + (f".{fraction}" if fraction else ""), None


def _ratio(sheet: Sheet, cell: Cell, heading: str) -> tuple[str, Problem | None]:
    """``1600/5`` as written; the two numbers are split when the map is written."""
    text = re.sub(r"(?i)\s*[av]\b", "", cell.text)
    match = _RATIO.fullmatch(text.strip())
    if match is None:
        return "", sheet.problem(cell, "this is not a ratio", heading=heading, allowed="a ratio, as 1600/5")
    read = [_number(sheet, cell, part, heading) for part in match.groups()]
    problem = next((problem for _, problem in read if problem is not None), None)
    return ("", problem) if problem is not None else ("/".join(number for number, _ in read), None)


def _kind(sheet: Sheet, cell: Cell, heading: str) -> tuple[str, Problem | None]:
    kind = kind_of(cell.text)
    if kind is not None:
        return kind, None
    return "", sheet.problem(
        cell,
        "it is not plain what kind of device this is",
        heading=heading,
        allowed="trip unit, meter, gateway, switch, UPS, master controller, other",
        remedy="write one of these in the schedule",
    )


def _state(sheet: Sheet, field: str, cell: Cell, heading: str) -> tuple[str, Problem | None]:
    state = state_of(field, cell.text)
    if state is not None:
        return state, None
    allowed = ", ".join(STATES[field])
    what = f"{shown(cell.text)} is none of the words for this column"
    return "", sheet.problem(cell, what, heading=heading, allowed=allowed)
