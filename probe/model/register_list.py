"""A maker's register list (a table) to the text of a profile.

What the list does not tell is never guessed. The addressing convention must be stated, as an argument or
in a line above the table (``Addressing: one_based``); without it no profile is made. Other blanks (the
order of wide registers, whether a voltage is line or phase) are written as ``"?"`` for a person to fill in;
``profile check`` refuses the file until that is done. Every column and row that was not understood is told.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from probe.model.addressing import AddressError, parse_address
from probe.model.codec import MEASURED, number_registers
from probe.model.errors import Problem
from probe.model.nearest import listed
from probe.model.profile import Area
from probe.model.register_words import (
    AREAS,
    UNITS,
    area_word,
    heading,
    text_length,
    title_field,
    type_word,
)
from probe.model.shape import BLANK
from probe.model.sheet import Cell, Sheet, filled

CONVENTIONS = ("zero_based", "one_based", "reference")
#: A table begins where a row has at least these columns.
_NEEDED = ("address", "name")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportedProfile:
    """What became of a list. text: the profile, "" if an error stopped it.

    columns: our field to the heading that was taken for it; unused: headings that mean nothing to us.
    points, left_out: rows that became points, and rows that did not. blanks: what a person must fill in.
    """

    text: str
    columns: Mapping[str, str] = field(default_factory=dict)
    unused: tuple[str, ...] = ()
    points: int = 0
    left_out: int = 0
    blanks: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()


@dataclass(slots=True)
class _Draft:
    """A list while it is read."""

    sheet: Sheet
    facts: dict[str, str]
    columns: dict[str, Cell]
    unused: list[str]
    problems: list[Problem]
    left_out: int = 0


def make_profile(sheet: Sheet, name: str, *, addressing: str | None = None) -> ImportedProfile:
    """The profile of the list in the sheet.

    name: of the profile to make. addressing: zero_based, one_based or reference; None: the list must say.
    """
    head = _heading_row(sheet)
    if head is None:
        return ImportedProfile(text="", problems=(_no_table(sheet),))
    draft = _Draft(sheet, _facts(sheet, head), *_columns(sheet.rows[head]), [])
    _settle_facts(draft, addressing, sheet.rows[head])
    if draft.problems:
        return _imported(draft, "", [])
    rows = [_row(draft, row) for row in sheet.rows[head + 1 :] if filled(row)]
    points = _named([row for row in rows if row is not None])
    if not points and not draft.problems:
        draft.problems.append(Problem(file=sheet.file, what="no row of the list could be understood"))
    text = _text(draft, name, points) if points else ""
    return _imported(draft, text, points)


def _imported(draft: _Draft, text: str, points: Sequence[dict[str, str]]) -> ImportedProfile:
    return ImportedProfile(
        text=text,
        columns={name: cell.text for name, cell in draft.columns.items()},
        unused=tuple(draft.unused),
        points=len(points),
        left_out=draft.left_out,
        blanks=tuple(_blanks(draft, points)),
        problems=tuple(draft.problems),
    )


# --- the table ------------------------------------------------------------------------------------------


def _heading_row(sheet: Sheet) -> int | None:
    """The first row that has an address and a name column."""
    for index, row in enumerate(sheet.rows[:100]):
        found = {known[0] for cell in row if (known := heading(cell.text))}
        if all(needed in found or (needed == "name" and "title" in found) for needed in _NEEDED):
            return index
    return None


def _no_table(sheet: Sheet) -> Problem:
    return Problem(
        file=sheet.file,
        what="no row of the file holds the headings of a register list",
        allowed="headings such as Address (or Register), Name, Type, Scale, Units, R/W, Description, Length",
        remedy="name the columns in one row above the list",
    )


def _columns(row: Sequence[Cell]) -> tuple[dict[str, Cell], list[str]]:
    """Field to its heading's cell, and headings without a meaning; the better word wins a field."""
    best: dict[str, tuple[int, Cell]] = {}
    unused: list[str] = []
    for cell in filled(row):
        known = heading(cell.text)
        if known is None:
            unused.append(cell.text)
        elif known[0] not in best or known[1] < best[known[0]][0]:
            if known[0] in best:
                unused.append(best[known[0]][1].text)
            best[known[0]] = (known[1], cell)
        else:
            unused.append(cell.text)
    return {name: cell for name, (_, cell) in best.items()}, unused


def _facts(sheet: Sheet, head: int) -> dict[str, str]:
    """Facts in the lines above the table: ``Addressing: one_based`` in one cell, or in two."""
    facts: dict[str, str] = {}
    for row in sheet.rows[:head]:
        cells = [cell.text for cell in filled(row)]
        if len(cells) == 1 and ":" in cells[0]:
            cells = [part.strip() for part in cells[0].split(":", 1)]
        if len(cells) >= 2 and (name := title_field(cells[0].rstrip(":"))):
            facts.setdefault(name, cells[1])
    return facts


def _settle_facts(draft: _Draft, addressing: str | None, head: Sequence[Cell]) -> None:
    """The facts in our words; tells those that are missing and cannot stay blank."""
    if addressing:
        draft.facts["addressing"] = addressing
    stated = draft.facts.get("addressing", "").lower().replace("-", "_").replace(" ", "_")
    if stated not in CONVENTIONS:
        draft.problems.append(_unstated(draft, stated))
    draft.facts["addressing"] = stated
    area = draft.facts.get("area", "")
    draft.facts["area"] = area_word(area) if area else ""
    order = draft.facts.get("order", "").upper()
    draft.facts["order"] = order if order in ("ABCD", "CDAB", "BADC", "DCBA") else ""


def _unstated(draft: _Draft, stated: str) -> Problem:
    example = _first_address(draft)
    meanings = ""
    if example.isdecimal():
        meanings = (
            f"; {example} could be PDU address {example} (zero_based) or {int(example) - 1} (one_based)"
        )
        if len(example) in (5, 6) and example[0] in "0134":
            meanings += f", or register {int(example[1:])} of an area (reference)"
    return Problem(
        file=draft.sheet.file,
        what=f"the list does not say how its addresses count{meanings}",
        found=stated or "no statement",
        allowed=", ".join(CONVENTIONS),
        remedy="look it up in the device's manual, then add a line above the headings such as "
        "`Addressing: one_based`",
    )


def _first_address(draft: _Draft) -> str:
    column = draft.columns["address"]
    for row in draft.sheet.rows:
        cell = _cell(row, column)
        if cell is not None and cell.row > column.row and cell.text.isdecimal():
            return cell.text
    return ""


def _cell(row: Sequence[Cell], column: Cell) -> Cell | None:
    return next((cell for cell in row if cell.column == column.column), None)


# --- one row --------------------------------------------------------------------------------------------


class _NotUnderstoodError(Exception):
    """A row cannot become a point; carries the reason."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self.problem = problem


class _Row:
    """Cells of one row by field."""

    def __init__(self, draft: _Draft, cells: Sequence[Cell]) -> None:
        self.draft = draft
        self._cells = {name: _cell(cells, column) for name, column in draft.columns.items()}
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


def _row(draft: _Draft, cells: Sequence[Cell]) -> dict[str, str] | None:
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
    if written.lower() in ("", "-", "none", "n/a"):
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
        export = {"export", "exported", "delivered", "out", "reverse"} & words
        imported = {"import", "imported", "received", "in", "forward", "consumed"} & words
        if bool(export) == bool(imported):
            return BLANK
        return f"{quantity}_{'export' if export else 'import'}"
    return quantity or BLANK


# --- the text -------------------------------------------------------------------------------------------


def _point_name(text: str) -> str:
    name = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")[:56] or "point"
    return name if name[0].isalpha() else f"p_{name}"


def _named(points: Sequence[dict[str, str]]) -> list[dict[str, str]]:
    """The points with names that differ: a second ``status`` becomes ``status_2``."""
    seen: dict[str, int] = {}
    named = []
    for point in points:
        count = seen[point["name"]] = seen.get(point["name"], 0) + 1
        named.append(point if count == 1 else point | {"name": f"{point['name']}_{count}"})
    return named


def quoted(text: str) -> str:
    """The text as a YAML scalar that is read back as the same text."""
    clean = "".join(char if char.isprintable() else " " for char in text).strip()[:200]
    if re.fullmatch(r"[A-Za-z°][A-Za-z0-9 _./°-]*", clean) and clean.lower() not in ("null", "~"):
        return clean.rstrip()
    return '"' + clean.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _text(draft: _Draft, name: str, points: Sequence[dict[str, str]]) -> str:
    facts = draft.facts
    lines = [
        f"# Made from {_printable(draft.sheet.file)}. Compare it with the maker's manual before it is used.",
        f"format: buswitness-profile/1\nname: {name}",
        f"title: {quoted(facts.get('title') or name)}",
        f"kind: {quoted(facts.get('kind') or BLANK)}",
        f"addressing: {facts['addressing']}",
    ]
    if facts["addressing"] != "reference":
        lines.append(f"area: {quoted(facts['area'] or BLANK)}")
    if facts["order"] or any(_needs_order(point) for point in points):
        lines.append(f"order: {quoted(facts['order'] or BLANK)}")
    lines += ["", "points:"]
    for point in points:
        fields = ", ".join(f"{key}: {value}" for key, value in point.items() if key != "name")
        lines.append(f"  {point['name']}: {{{fields}}}")
    return "\n".join(lines) + "\n"


def _printable(text: str) -> str:
    return "".join(char if char.isprintable() else " " for char in text)


def _needs_order(point: Mapping[str, str]) -> bool:
    return "order" not in point and (number_registers(point["type"]) or 1) > 1


def _blanks(draft: _Draft, points: Sequence[dict[str, str]]) -> Iterator[str]:
    """What a person must fill in, by field."""
    if not points:
        return
    facts = draft.facts
    if not facts.get("kind"):
        yield "kind: what sort of device this is (meter, trip-unit, ...)"
    if facts["addressing"] != "reference" and not facts["area"]:
        yield "area: holding (function 3) or input (function 4)"
    if not facts["order"] and any(_needs_order(point) for point in points):
        yield "order: ABCD, CDAB, BADC or DCBA, from the device's manual"
    for name in ("unit", "quantity"):
        blank = [point["name"] for point in points if point.get(name) == quoted(BLANK)]
        if blank:
            yield f"{name} of {listed(blank)}"
