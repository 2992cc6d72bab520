"""One row of a register list to the fields of a point, as they will stand in the profile.

A row that is not understood is left out and told; nothing in it is guessed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from probe.model.addressing import AddressError, parse_address
from probe.model.codec import MEASURED, number_registers
from probe.model.errors import Problem
from probe.model.nearest import listed
from probe.model.profile import Area
from probe.model.register_words import AREAS, UNITS, area_word, text_length, type_word
from probe.model.shape import BLANK
from probe.model.sheet import Cell, Sheet, filled


@dataclass(slots=True)
class Draft:
    """A list while it is read."""

    sheet: Sheet
    facts: dict[str, str]
    columns: dict[str, Cell]
    unused: list[str]
    problems: list[Problem]
    left_out: int = 0


def cell_under(row: Sequence[Cell], column: Cell) -> Cell | None:
    """The row's cell in the column of the heading; None if the row is shorter."""
    return next((cell for cell in row if cell.column == column.column), None)


class _NotUnderstoodError(Exception):
    """A row cannot become a point; carries the reason."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self.problem = problem


class _Row:
    """Cells of one row by field."""

    def __init__(self, draft: Draft, cells: Sequence[Cell]) -> None:
        self.draft = draft
        self._cells = {name: cell_under(cells, column) for name, column in draft.columns.items()}
        self.first = cells[0]

    def text(self, name: str) -> str:
        """The text of the field's cell, "" where there is none."""
        cell = self._cells.get(name)
        return cell.text if cell is not None else ""

    def refuse(self, name: str, what: str, **facts: str) -> _NotUnderstoodError:
        """The error that leaves the row out, pointing at the field's cell."""
        cell = self._cells.get(name) or self.first
        title = self.draft.columns[name].text if name in self.draft.columns else ""
        problem = self.draft.sheet.problem(cell, what, heading=title, severity="warning", **facts)
        return _NotUnderstoodError(problem)


def point_fields(draft: Draft, cells: Sequence[Cell]) -> dict[str, str] | None:
    """The fields of the row's point, as they will stand in the profile; None if it was left out."""
    row = _Row(draft, cells)
    if len(filled(cells)) == 1 or not (row.text("address") or row.text("type")):
        return None  # a heading between groups of registers
    try:
        return _point(row)
    except _NotUnderstoodError as reason:
        draft.left_out += 1
        draft.problems.append(reason.problem)
        return None


def _point(row: _Row) -> dict[str, str]:
    name = row.text("name") or row.text("title")
    if not name:
        raise row.refuse("name", "the row has no name and is left out")
    if row.text("access").upper().replace("/", "") in ("W", "WO"):
        raise row.refuse("access", "the register can only be written: it is left out, this tool only reads")
    area = _area(row)
    address = _address(row, area)
    count = _count(row)
    kind, length = _type(row, count)
    point = {
        "name": _point_name(name),
        "title": quoted(row.text("title") or name),
        "address": address,
        "type": kind,
        "count": str(length) if length else "",
        "order": _own_order(row, kind),
        "scale": _scale(row) if kind in MEASURED else "",
    }
    if area and area != row.draft.facts["area"] and row.draft.facts["addressing"] != "reference":
        point["area"] = area
    if kind in MEASURED:
        point |= _meaning(row, name)
    return {key: value for key, value in point.items() if value}


def _area(row: _Row) -> str:
    written = row.text("area")
    if not written:
        return row.draft.facts["area"]
    area = area_word(written)
    if not area:
        allowed = listed(AREAS)
        raise row.refuse("area", "the area is not understood; the row is left out", allowed=allowed)
    return area


def _address(row: _Row, area: str) -> str:
    written = row.text("address").replace(" ", "")
    ranged = re.fullmatch(r"(\w+)(?:-|–|\.\.)\w+", written)
    first = ranged.group(1) if ranged else written
    convention = row.draft.facts["addressing"]
    # Where no area is stated yet (a blank to fill in), any will do to see whether the number is one.
    stated = Area(area) if area else None if convention == "reference" else Area.HOLDING
    try:
        parse_address(first, convention, stated)
    except AddressError as error:
        what = f"{error.what}; the row is left out"
        raise row.refuse("address", what, allowed=error.allowed, remedy=error.remedy) from None
    return f'"{first}"' if first.startswith("0") and first.isdecimal() and len(first) > 1 else first


def _count(row: _Row) -> int | None:
    written = row.text("count")
    if not written:
        ranged = re.fullmatch(r"(\d+)(?:-|–|\.\.)(\d+)", row.text("address").replace(" ", ""))
        return int(ranged.group(2)) - int(ranged.group(1)) + 1 if ranged else None
    if not written.isdecimal():
        raise row.refuse("count", "the length is no whole number of registers; the row is left out")
    return int(written)


def _type(row: _Row, count: int | None) -> tuple[str, int | None]:
    """Our type, and the registers where the type does not settle them."""
    written = row.text("type")
    if not written:
        raise row.refuse("type", "the row has no type and is left out")
    kind = type_word(written, count)
    if not kind:
        remedy = "write the point into the profile by hand"
        raise row.refuse("type", "the type is not understood; the row is left out", remedy=remedy)
    settled = number_registers(kind)
    if settled is not None and count not in (None, settled):
        what = f"{written} takes {settled} registers, the list says {count}; the row is left out"
        raise row.refuse("count", what)
    if kind == "text":
        letters = text_length(written)
        count = count or ((letters + 1) // 2 if letters else None)
    if settled is None and kind != "bit" and count is None:
        raise row.refuse("count", f"{kind} needs its length; the row is left out")
    return kind, None if settled is not None or kind == "bit" else count


def _own_order(row: _Row, kind: str) -> str:
    order = row.text("order").upper()
    return order if re.fullmatch(r"[A-H]{2,8}", order) and kind not in ("text", "bit") else ""


def _scale(row: _Row) -> str:
    written = row.text("scale").replace(",", ".").lstrip("xX*× ")
    if not written or written in ("-", "1", "1.0", "n/a", "none"):
        return ""
    divided = re.fullmatch(r"(?:1\s*)?/\s*(10+)", written)
    if divided:
        return "0." + "0" * (len(divided.group(1)) - 2) + "1"
    if not re.fullmatch(r"-?\d+(\.\d+)?([eE]-?\d+)?", written):
        remedy = "write the point into the profile by hand; a scale-factor register is `scale_factor:`"
        raise row.refuse("scale", "the scale is no plain number; the row is left out", remedy=remedy)
    return written


# --- what it measures -----------------------------------------------------------------------------------

_PHASES = {
    "ab": "ab", "bc": "bc", "ca": "ca", "l1l2": "ab", "l2l3": "bc", "l3l1": "ca",
    "a": "a", "b": "b", "c": "c",
    "an": "a", "bn": "b", "cn": "c", "l1": "a", "l2": "b", "l3": "c", "l1n": "a", "l2n": "b", "l3n": "c",
    "n": "n", "neutral": "n", "total": "total", "sum": "total", "average": "average", "avg": "average",
}  # fmt: skip
_PAIRS = ("ab", "bc", "ca")


def _meaning(row: _Row, name: str) -> dict[str, str]:
    """Unit, quantity and phase, each only where the list settles it; else to be filled in."""
    written = row.text("unit").strip()
    words = _words(name, row.text("title"))
    phase = _phase(name, row.text("title"))
    if "unit" in row.draft.columns and written.lower() in ("", "-", "none", "n/a"):
        quantity = "power_factor" if {"factor", "power"} <= words or "pf" in words else BLANK
        return {"unit": "none", "quantity": quoted(quantity), "phase": phase}
    unit, quantity = UNITS.get(written.lower(), ("", ""))
    if not unit:
        return {"unit": quoted(BLANK), "quantity": quoted(BLANK), "phase": phase}
    quantity = _refined(quantity, unit, words, phase)
    return {"unit": quoted(unit), "quantity": quoted(quantity), "phase": phase}


def _words(*texts: str) -> set[str]:
    return set(re.findall(r"[a-z0-9]+", " ".join(texts).lower()))


def _phase(*texts: str) -> str:
    for text in texts:
        marks = re.findall(r"[a-z0-9]+", text.lower().replace("-", "").replace("l-l", ""))
        found = {_PHASES[mark] for mark in marks if mark in _PHASES}
        if len(found) == 1:
            return found.pop()
    return ""


def _refined(quantity: str, unit: str, words: set[str], phase: str) -> str:
    """The quantity that unit, words and phase settle together; blank where they do not."""
    if unit in ("V", "kV", "mV"):
        if phase in _PAIRS or {"ll", "line"} & words:
            return "voltage_line"
        return "voltage_phase" if phase in ("a", "b", "c") or {"ln", "neutral"} & words else BLANK
    if quantity.startswith("energy"):
        # "Delivered" and "received" depend on whose side the maker stands: left to a person.
        export, imported = {"export", "exported"} & words, {"import", "imported"} & words
        if bool(export) == bool(imported):
            return BLANK
        return f"{quantity}_{'export' if export else 'import'}"
    return quantity or BLANK


def _point_name(text: str) -> str:
    name = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")[:56] or "point"
    return name if name[0].isalpha() else f"p_{name}"


def quoted(text: str) -> str:
    """The text as a YAML scalar that is read back as the same text."""
    clean = "".join(char if char.isprintable() else " " for char in text).strip()[:200]
    if re.fullmatch(r"[A-Za-z°][A-Za-z0-9 _./°-]*", clean) and clean.lower() not in ("null", "~"):
        return clean.rstrip()
    return '"' + clean.replace("\\", "\\\\").replace('"', '\\"') + '"'
