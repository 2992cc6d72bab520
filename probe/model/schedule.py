"""A device schedule understood: which column is what, which row is a device, what stands above the table.

Nothing is guessed silently: columns that are not understood, rows that are not used and cells that a
spreadsheet program has changed are all named. Making a map from it is ``schedule_map``'s business.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from probe.model.document import shown
from probe.model.errors import InputError, Problem
from probe.model.schedule_values import value_of
from probe.model.schedule_words import HEADINGS, NOTHING, heading_field, title_fact
from probe.model.sheet import Cell, Sheet, filled, letters

#: The heading row is looked for in so many rows from the top.
HEADING_WITHIN = 40
_TAG = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/+-]*")


class Column(NamedTuple):
    """A column that is understood. number counts from 1."""

    field: str
    heading: str
    number: int


class Value(NamedTuple):
    """What a cell says, in the map's words, and the cell."""

    text: str
    cell: Cell


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceRow:
    """One device of the schedule: field to value; fields of empty cells are not there."""

    row: int
    values: dict[str, Value]

    def text(self, field: str) -> str:
        """The field's text, "" if the schedule does not give it."""
        return self.values[field].text if field in self.values else ""


@dataclass(kw_only=True)
class Schedule:
    """A schedule as understood.

    heading_row: as the file counts rows. notes: for people, what was done with what is not plain.
    """

    sheet: Sheet
    heading_row: int
    columns: tuple[Column, ...]
    unused: tuple[str, ...] = ()
    facts: dict[str, Value] = field(default_factory=dict)
    devices: list[DeviceRow] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def heading(self, field: str) -> str:
        """The heading of the field's column."""
        return next((column.heading for column in self.columns if column.field == field), "")


def understand(sheet: Sheet) -> Schedule:
    """The schedule in the sheet; its ``problems`` hold every cell that cannot be used.

    Raises InputError if no heading row is found or it lists no device.
    """
    at = _heading_row(sheet)
    columns, unused, notes = _columns(sheet, sheet.rows[at])
    schedule = Schedule(
        sheet=sheet,
        heading_row=sheet.rows[at][0].row,
        columns=columns,
        unused=unused,
        notes=[*sheet.notes, *notes],
    )
    schedule.facts = dict(_facts(sheet, sheet.rows[:at]))
    _read_rows(schedule, sheet.rows[at + 1 :])
    _gateways_by_address(schedule)
    if not schedule.devices and not schedule.problems:
        cell = sheet.rows[at][0]
        raise InputError([sheet.problem(cell, "no device stands below the headings", found="")])
    return schedule


def _heading_row(sheet: Sheet) -> int:
    """Index of the row that holds the most headings, among them one for tags."""
    best, best_score = -1, 1
    for i, row in enumerate(sheet.rows[:HEADING_WITHIN]):
        fields = {found[0] for cell in row if (found := heading_field(cell.text))}
        if "tag" in fields and len(fields) > best_score:
            best, best_score = i, len(fields)
    if best < 0:
        raise InputError([_no_headings(sheet)])
    return best


def _no_headings(sheet: Sheet) -> Problem:
    first = next((row for row in sheet.rows if filled(row)), ())
    found = ", ".join(cell.text for cell in filled(first)[:8])
    return Problem(
        file=sheet.file,
        what="no row of headings is found" if first else "the schedule is empty",
        line=first[0].row if first else 0,
        found=shown(found),
        allowed="a row with Tag (or Device, Equipment) and others such as Type, Profile, Section, "
        "IP address, Unit, Gateway, Fed from",
        remedy="is it the right sheet? Name the columns so, one row of headings above the devices",
    )


def _columns(sheet: Sheet, row: Sequence[Cell]) -> tuple[tuple[Column, ...], tuple[str, ...], list[str]]:
    """Columns by field, the headings that are not used, and notes about columns that two fields could be."""
    taken: dict[str, tuple[int, Cell]] = {}
    unused: list[Cell] = []
    notes = []
    for cell in filled(row):
        found = heading_field(cell.text)
        if found is None:
            unused.append(cell)
            continue
        name, rank = found
        if name not in taken:
            taken[name] = (rank, cell)
            continue
        keep, drop = sorted([taken[name], (rank, cell)], key=lambda entry: entry[0])
        taken[name] = keep
        unused.append(drop[1])
        notes.append(
            f"columns {letters(keep[1].column)} ({keep[1].text}) and {letters(drop[1].column)} "
            f"({drop[1].text}) could both be the {name}; {keep[1].text} is used"
        )
    if "profile" not in taken and "model" in taken:
        taken["profile"] = taken.pop("model")
    ordered = sorted(taken.items(), key=lambda item: item[1][1].column)
    columns = tuple(Column(name, cell.text, cell.column) for name, (_, cell) in ordered)
    named = tuple(f"{letters(cell.column)} ({shown(cell.text)})" for cell in unused)
    return columns, (*named, *_nameless(sheet, row)), notes


def _nameless(sheet: Sheet, headings: Sequence[Cell]) -> list[str]:
    """Columns without a heading that hold something below it."""
    has_heading = {cell.column for cell in filled(headings)}
    below = [cell for row in sheet.rows if row and row[0].row > headings[0].row for cell in filled(row)]
    return [f"{letters(n)} (no heading)" for n in sorted({cell.column for cell in below} - has_heading)]


def _facts(sheet: Sheet, rows: Sequence[Sequence[Cell]]) -> Iterator[tuple[str, Value]]:
    """Facts of the lineup above the table: ``Site: X`` in one cell, or a label with its value beside it."""
    for row in rows:
        cells = filled(row)
        for i, cell in enumerate(cells):
            label, _, rest = cell.text.partition(":")
            fact = title_fact(label)
            if fact is None:
                continue
            if rest.strip():
                yield fact, Value(_one_line(rest), cell)
            elif i + 1 < len(cells) and title_fact(cells[i + 1].text.partition(":")[0]) is None:
                yield fact, Value(_one_line(cells[i + 1].text), cells[i + 1])


def _one_line(text: str) -> str:
    return shown(" ".join(text.split()))


def _read_rows(schedule: Schedule, rows: Sequence[Sequence[Cell]]) -> None:
    """Devices row by row; a section that is not repeated (merged cells, a line of its own) goes on."""
    section: Value | None = None
    carried = 0
    for row in rows:
        cells = filled(row)
        if not cells or _is_heading_again(schedule, row):
            continue
        if len(cells) == 1 and not _is_lone_tag(schedule, cells[0]):
            if re.match(r"(?i)(section|structure|panel|bay|column|cubicle)\b", cells[0].text):
                section = Value(cells[0].text, cells[0])
                schedule.notes.append(
                    f"row {cells[0].row} is taken as the heading of a section: {cells[0].text}"
                )
            else:
                schedule.notes.append(f"row {cells[0].row} is not used: {shown(cells[0].text)}")
            continue
        device = _device(schedule, row)
        if "section" in device.values:
            section = device.values["section"]
        elif section is not None:
            device.values["section"] = section
            carried += 1
        if device.values.keys() - {"section"}:
            schedule.devices.append(device)
    if carried:
        schedule.notes.append(f"{carried} rows without a section take the one above them (merged cells)")


def _is_heading_again(schedule: Schedule, row: Sequence[Cell]) -> bool:
    """True for a repeated heading row, as printed on each page."""
    texts = {cell.column: cell.text for cell in row}
    return all(texts.get(column.number) == column.heading for column in schedule.columns)


def _is_lone_tag(schedule: Schedule, cell: Cell) -> bool:
    column = next(column for column in schedule.columns if column.field == "tag")
    return cell.column == column.number and _TAG.fullmatch(cell.text) is not None


def _device(schedule: Schedule, row: Sequence[Cell]) -> DeviceRow:
    cells = {cell.column: cell for cell in row}
    values: dict[str, Value] = {}
    for column in schedule.columns:
        cell = cells.get(column.number)
        if cell is None or cell.text.lower() in NOTHING:
            continue
        text, problem = value_of(schedule.sheet, column.field, cell, column.heading)
        if problem is not None:
            schedule.problems.append(problem)
        if text:
            values[column.field] = Value(text, cell)
    if "tag" not in values:
        _note_no_tag(schedule, row, cells)
    return DeviceRow(row=row[0].row, values=values)


def _note_no_tag(schedule: Schedule, row: Sequence[Cell], cells: dict[int, Cell]) -> None:
    column = next(column for column in schedule.columns if column.field == "tag")
    cell = cells.get(column.number) or Cell("", row[0].row, column.number)
    if any(problem.line == cell.row and problem.column == cell.column for problem in schedule.problems):
        return
    rest = ", ".join(other.text for other in filled(row)[:5])
    schedule.problems.append(
        schedule.sheet.problem(
            cell,
            "this row has no tag",
            heading=column.heading,
            found=shown(rest),
            remedy="give the device its tag, or delete the row if it is none",
        )
    )


def _gateways_by_address(schedule: Schedule) -> None:
    """A gateway given by its IP address becomes its tag; one address for all is the subnet's router."""
    by_host = {device.text("host"): device for device in schedule.devices if device.text("host")}
    given = [device for device in schedule.devices if _is_address(device.text("via"))]
    for device in given:
        via = device.values["via"]
        gateway = by_host.get(via.text)
        if gateway is None:
            device.values["router"] = device.values.pop("via")
        elif gateway is device:
            del device.values["via"]
        else:
            device.values["via"] = Value(gateway.text("tag"), via.cell)
            schedule.notes.append(f"row {device.row}: gateway {via.text} is {gateway.text('tag')}")
    routers = sorted({device.text("router") for device in given if "router" in device.values})
    if routers:
        heading = schedule.heading("via")
        schedule.notes.append(
            f"column {heading} holds {', '.join(routers)}, no device of this schedule: taken as the router"
        )


def _is_address(text: str) -> bool:
    return re.fullmatch(r"\d{1,3}(\.\d{1,3}){3}", text) is not None


def known_headings() -> dict[str, tuple[str, ...]]:
    """All headings that are understood, by field; for the manual."""
    return dict(HEADINGS)
