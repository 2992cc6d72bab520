"""A table of settings as engineers send it (CSV, XLSX) to the text of a study file.

One row a device, or one a device and group of settings; a tag that stands only in the first of its rows
(merged cells) goes on. A number takes the unit of its heading's brackets. What is not plain is told at its
cell, never guessed: a multiple without its base, a number without a unit, a comma that could be thousands.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from probe.model.document import shown
from probe.model.errors import InputError, Problem
from probe.model.protection import GROUPS
from probe.model.schedule_words import NOTHING
from probe.model.setting_text import SettingTextError, parse_amount, parse_delay
from probe.model.sheet import Cell, CellKind, Sheet, filled, letters
from probe.model.study_words import OFF, curve_of, fact_of, group_of, heading_of, unit_of

HEADING_WITHIN = 40
_PICKUPS = ("ltpu", "stpu", "inst", "gfpu", "maintenance_inst", "sensor", "plug")
_DELAYS = ("ltd", "std", "gfd")
_CURVES = ("lt_curve", "st_curve", "gf_curve")
#: Function of a study to its columns: pickup, delay, curve.
_FUNCTIONS = {
    "long_time": ("ltpu", "ltd", "lt_curve"),
    "short_time": ("stpu", "std", "st_curve"),
    "instantaneous": ("inst", "", ""),
    "ground": ("gfpu", "gfd", "gf_curve"),
}
_HEAD = ("site", "lineup", "title", "reference", "author", "revision", "date")
_BARE = re.compile(r"\d+(?:[.,]\d+)?|[.,]\d+")
_THOUSANDS = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")
_TAG = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/+-]{0,39}")


class Column(NamedTuple):
    """A column that is understood. unit: of bare numbers in it; at: current at which its delays count."""

    field: str
    heading: str
    number: int
    unit: str
    at: str


@dataclass(kw_only=True)
class StudyTable:
    """A table as understood. rows: (tag, group) to field and text in the words of a study."""

    sheet: Sheet
    heading_row: int
    columns: tuple[Column, ...]
    unused: tuple[str, ...] = ()
    facts: dict[str, str] = field(default_factory=dict)
    rows: dict[tuple[str, str], dict[str, str]] = field(default_factory=dict)
    places: dict[tuple[str, str], int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    @property
    def tags(self) -> tuple[str, ...]:
        """Tags in the table's order."""
        return tuple(dict.fromkeys(tag for tag, _ in self.rows))


def understand_table(sheet: Sheet) -> StudyTable:
    """The table in the sheet; its ``problems`` hold every cell that cannot be used.

    Raises InputError if no heading row is found.
    """
    at = _heading_row(sheet)
    columns, unused = _columns(sheet.rows[at])
    table = StudyTable(
        sheet=sheet,
        heading_row=sheet.rows[at][0].row,
        columns=columns,
        unused=unused,
        facts=dict(_facts(sheet.rows[:at])),
        notes=list(sheet.notes),
    )
    _Reader(table).read(sheet.rows[at + 1 :])
    if not table.rows and not table.problems:
        table.problems.append(
            sheet.problem(sheet.rows[at][0], "no device stands below the headings", found="")
        )
    return table


def _heading_row(sheet: Sheet) -> int:
    best, most = -1, 1
    for number, row in enumerate(sheet.rows[:HEADING_WITHIN]):
        fields = {name for cell in row if (name := heading_of(cell.text))}
        if "tag" in fields and len(fields) > most:
            best, most = number, len(fields)
    if best < 0:
        what = "no row of headings is found"
        allowed = (
            "a row with Tag (or Device, Breaker) and settings such as LTPU, LTD, STPU, STD, INST, GFPU, GFD"
        )
        raise InputError(
            [Problem(file=sheet.file, what=what, allowed=allowed, remedy="is it the right sheet?")]
        )
    return best


def _columns(row: Sequence[Cell]) -> tuple[tuple[Column, ...], tuple[str, ...]]:
    found: dict[str, Column] = {}
    unused = []
    for cell in filled(row):
        name = heading_of(cell.text)
        if name is None or name in found:
            unused.append(f"{letters(cell.column)} ({shown(cell.text)})")
        else:
            found[name] = Column(name, cell.text, cell.column, *unit_of(cell.text))
    return tuple(found.values()), tuple(unused)


def _facts(rows: Sequence[Sequence[Cell]]) -> Iterator[tuple[str, str]]:
    """``Site: X`` in one cell, or a label with its value beside it."""
    for row in rows:
        cells = filled(row)
        for number, cell in enumerate(cells):
            label, _, rest = cell.text.partition(":")
            fact = fact_of(label)
            if fact is None:
                continue
            beside = cells[number + 1].text if number + 1 < len(cells) else ""
            text = " ".join((rest or ("" if fact_of(beside.partition(":")[0]) else beside)).split())
            if text:
                yield fact, text.split(" ")[0] if fact == "date" else text


class _Reader:
    """Reads the rows below the headings."""

    def __init__(self, table: StudyTable) -> None:
        self._table = table
        self._by_number = {column.number: column for column in table.columns}
        self._tag = ""

    def read(self, rows: Sequence[Sequence[Cell]]) -> None:
        carried = 0
        for row in rows:
            cells = {self._by_number[c.column].field: c for c in filled(row) if c.column in self._by_number}
            if not cells or heading_of(cells.get("tag", Cell("", 0, 0)).text) == "tag":
                continue
            if "tag" not in cells and self._tag and len(cells) > 1:
                carried += 1
            elif "tag" in cells and not self._take_tag(cells["tag"], alone=len(filled(row)) == 1):
                continue
            if self._tag:
                self._row(cells, row)
        if carried:
            self._table.notes.append(f"{carried} rows without a tag take the one above them (merged cells)")

    def _take_tag(self, cell: Cell, *, alone: bool) -> bool:
        """True if the cell is a tag; a line of words (a section's title, a remark) is named and left out."""
        text = cell.text.strip()
        if _TAG.fullmatch(text) and not alone:
            self._tag = text
            return True
        if alone:
            self._table.notes.append(f"row {cell.row} is not used: {shown(cell.text)}")
        else:
            allowed = "letters, digits and . _ / + - without spaces"
            self._tell(cell, "this is no tag", "tag", allowed=allowed)
        self._tag = ""
        return False

    def _row(self, cells: Mapping[str, Cell], row: Sequence[Cell]) -> None:
        group = self._group(cells)
        if group is None:
            return
        key, place = (self._tag, group), filled(row)[0]
        if key in self._table.rows:
            first = self._table.places[key]
            what = f"{shown(self._tag)} has two rows for its {group} group; first in row {first}"
            remedy = "keep the one that holds, or name the group of each row in a column Group"
            self._table.problems.append(self._table.sheet.problem(place, what, remedy=remedy))
            return
        values = {name: text for name, cell in cells.items() if (text := self._value(name, cell))}
        values.pop("tag", None)
        values.pop("group", None)
        self._table.rows[key] = values
        self._table.places[key] = place.row

    def _group(self, cells: Mapping[str, Cell]) -> str | None:
        cell = cells.get("group")
        if cell is None or cell.text.lower() in NOTHING:
            return "normal"
        group = group_of(cell.text)
        if group is None:
            self._tell(cell, "this is no group of settings", "group", allowed=", ".join(GROUPS))
        return group

    def _value(self, name: str, cell: Cell) -> str:
        """The cell in the words of a study, "" for nothing."""
        if cell.text.lower() in NOTHING - OFF:
            return ""
        if cell.kind is CellKind.DATE:
            what = "the spreadsheet program made a date of this text"
            self._tell(cell, what, name, remedy="format the column as text and enter it again")
            return ""
        if cell.text.lower() in OFF and name in ("stpu", "inst", "gfpu", "maintenance_inst"):
            return "off"
        if name in _CURVES:
            return self._curve(name, cell)
        if name in _PICKUPS or name in _DELAYS:
            return self._setting(name, cell)
        return cell.text

    def _curve(self, name: str, cell: Cell) -> str:
        curve = curve_of(cell.text)
        if curve is None:
            self._tell(
                cell, "this is no curve", name, allowed="I2t or flat (ON/IN, OFF/OUT), or a curve's name"
            )
        return curve or ""

    def _setting(self, name: str, cell: Cell) -> str:
        column = next(column for column in self._table.columns if column.field == name)
        text = self._number(name, cell)
        if text is None:
            return ""
        if _BARE.fullmatch(text):
            unit = column.unit or ("A" if name in ("sensor", "plug") else "")
            if unit == "?":
                what = "a multiple without its base: In may be the sensor or the rating plug"
                self._tell(
                    cell, what, name, remedy="write (x sensor), (x plug) or (x pickup) into the heading"
                )
                return ""
            text = f"{text} {unit}"
        if name in _DELAYS and column.at and " at " not in text:
            if column.at == "?":
                what = (
                    "a multiple without its base: the heading does not say at which current the delay counts"
                )
                self._tell(cell, what, name, remedy="write it out, as (s @ 6 x pickup)")
                return ""
            text = f"{text} at {column.at}"
        return self._checked(name, cell, text.strip())

    def _number(self, name: str, cell: Cell) -> str | None:
        """The text with a decimal point; None where its comma could mean two things."""
        text = cell.text.replace("×", "x").strip()
        head = re.match(r"[\d.,]+", text)
        if head is None or "," not in head.group():
            return text
        if _THOUSANDS.fullmatch(head.group()) or head.group().count(",") > 1:
            plain = head.group().replace(",", "")
            what = "this can be read in two ways: as thousands, or with decimals"
            self._tell(cell, what, name, remedy=f"write {plain} if it is thousands")
            return None
        return head.group().replace(",", ".") + text[head.end() :]

    def _checked(self, name: str, cell: Cell, text: str) -> str:
        try:
            made = parse_delay(text) if name in _DELAYS else parse_amount(text)
        except SettingTextError as error:
            remedy = error.remedy or "write the unit into the heading's brackets"
            self._tell(cell, error.what, name, allowed=error.allowed, remedy=remedy)
            return ""
        return made.text

    def _tell(self, cell: Cell, what: str, name: str, **facts: str) -> None:
        heading = next((column.heading for column in self._table.columns if column.field == name), "")
        self._table.problems.append(self._table.sheet.problem(cell, what, heading=heading, **facts))


# -- text of the study ------------------------------------------------------------------------------------


def study_text(table: StudyTable) -> tuple[str, tuple[str, ...]]:
    """The study file's text, and the names of what the table does not tell and a person fills in."""
    facts = {"title": "Coordination study", **table.facts}
    blanks = tuple(name for name in _HEAD if name not in facts)
    lines = ["# Made from a table of settings; compare it with the study before it is used.",
             "format: buswitness-study/1"]  # fmt: skip
    lines += [f"{name}: {_quoted(facts.get(name, '?'))}" for name in _HEAD]
    lines.append("devices:")
    for tag in table.tags:
        lines += _device(table, tag)
    return "\n".join(lines) + "\n", blanks


def _device(table: StudyTable, tag: str) -> Iterator[str]:
    own = {group: values for (known, group), values in table.rows.items() if known == tag}
    yield f"  - tag: {_quoted(tag)}"
    for rating in ("sensor", "plug"):
        told = next((values[rating] for values in own.values() if rating in values), "")
        if told:
            yield f"    {rating}: {told}"
    fast = next(
        (v["maintenance_inst"] for v in own.values() if v.get("maintenance_inst", "off") != "off"), ""
    )
    for group in GROUPS:
        lines = list(_functions(own.get(group, {})))
        if group == "maintenance" and fast and not any("instantaneous" in line for line in lines):
            lines.append(f"      instantaneous: {{pickup: {fast}}}")
        if lines:
            yield f"    {group}:"
            yield from lines


def _functions(values: Mapping[str, str]) -> Iterator[str]:
    for function, (pickup, delay, curve) in _FUNCTIONS.items():
        if values.get(pickup) == "off":
            yield f"      {function}: {{enabled: off}}"
            continue
        told = {"pickup": values.get(pickup), "delay": values.get(delay), "curve": values.get(curve)}
        inside = ", ".join(f"{name}: {text}" for name, text in told.items() if text)
        if inside:
            yield f"      {function}: {{{inside}}}"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
