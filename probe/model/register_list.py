"""A maker's register list (a table) to the text of a profile.

What the list does not tell is never guessed. The addressing convention must be stated, as an argument or
in a line above the table (``Addressing: one_based``); without it no profile is made. Other blanks (the
order of wide registers, whether a voltage is line or phase) are written as ``"?"`` for a person to fill in;
``profile check`` refuses the file until that is done. Every column and row that was not understood is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from probe.model.codec import number_registers
from probe.model.errors import Problem
from probe.model.nearest import listed
from probe.model.register_row import Draft, cell_under, point_fields, quoted
from probe.model.register_words import (
    area_word,
    heading,
    title_field,
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


def make_profile(sheet: Sheet, name: str, *, addressing: str | None = None) -> ImportedProfile:
    """The profile of the list in the sheet.

    name: of the profile to make. addressing: zero_based, one_based or reference; None: the list must say.
    """
    head = _heading_row(sheet)
    if head is None:
        return ImportedProfile(text="", problems=(_no_table(sheet),))
    draft = Draft(sheet, _facts(sheet, head), *_columns(sheet.rows[head]), [])
    _settle_facts(draft, addressing, sheet.rows[head])
    if draft.problems:
        return _imported(draft, "", [])
    rows = [point_fields(draft, row) for row in sheet.rows[head + 1 :] if filled(row)]
    points = _named([row for row in rows if row is not None])
    if not points and not draft.problems:
        draft.problems.append(Problem(file=sheet.file, what="no row of the list could be understood"))
    text = _text(draft, name, points) if points else ""
    return _imported(draft, text, points)


def _imported(draft: Draft, text: str, points: Sequence[dict[str, str]]) -> ImportedProfile:
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


def _settle_facts(draft: Draft, addressing: str | None, head: Sequence[Cell]) -> None:
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


def _unstated(draft: Draft, stated: str) -> Problem:
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


def _first_address(draft: Draft) -> str:
    column = draft.columns["address"]
    for row in draft.sheet.rows:
        cell = cell_under(row, column)
        if cell is not None and cell.row > column.row and cell.text.isdecimal():
            return cell.text
    return ""


# --- the text -------------------------------------------------------------------------------------------


def _named(points: Sequence[dict[str, str]]) -> list[dict[str, str]]:
    """The points with names that differ: a second ``status`` becomes ``status_2``."""
    seen: dict[str, int] = {}
    named = []
    for point in points:
        count = seen[point["name"]] = seen.get(point["name"], 0) + 1
        named.append(point if count == 1 else point | {"name": f"{point['name']}_{count}"})
    return named


def _text(draft: Draft, name: str, points: Sequence[dict[str, str]]) -> str:
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


def _blanks(draft: Draft, points: Sequence[dict[str, str]]) -> Iterator[str]:
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
