"""Elevation: the lineup drawn as the gear stands: sections side by side, devices stacked in each.

Four densities, the richest that fits the space is taken:

    roomy    two lines a device: lamp and tag, then what it is doing or how it answers
    compact  one line a device: lamp, tag, reply time
    tight    one line a device: lamp and tag
    dots     one lamp a device, a line or more a section
    counts   one line a section: how many devices show which lamp

Pure: names and lamps in, rows of styled text out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from probe.present.row import Piece, Row, cut, fit, width_of
from probe.present.signs import Lamp, Signs


@dataclass(frozen=True, slots=True)
class Cell:
    """One device as it is drawn. answer: reply time or empty; doing: what it is doing or its verdict."""

    tag: str
    lamp: Lamp
    answer: str = ""
    doing: str = ""


Sections = Mapping[str, Sequence[Cell]]


def draw(sections: Sections, width: int, height: int, signs: Signs) -> list[Row]:
    """The richest drawing of the sections that needs at most ``height`` rows of ``width`` columns.

    If even the counts do not fit, the last row says how many sections are not shown.
    """
    for lines, with_answer in ((2, True), (1, True), (1, False)):
        rows = _front(sections, width, signs, lines=lines, with_answer=with_answer, height=height)
        if rows is not None:
            return rows
    dots = _dots(sections, width, signs)
    return dots if len(dots) <= height else _counts(sections, width, height, signs)


def _front(
    sections: Sections, width: int, signs: Signs, *, lines: int, with_answer: bool, height: int
) -> list[Row] | None:
    """The front view with so many lines a device, or None if it does not fit."""
    longest = max((width_of(cell.tag) for cells in sections.values() for cell in cells), default=0)
    least = max(3 + 1 + longest + (8 if with_answer else 1), 12 if lines == 1 else 20)
    across = (width - 1) // (least + 1)
    if across < 1 or longest == 0:
        return None
    columns = _columns(sections, height, lines)
    if columns is None:
        return None
    across = min(across, len(columns))
    inner = min((width - 1) // across - 1, least + 12)
    banks = [columns[at : at + across] for at in range(0, len(columns), across)]
    if sum(1 + lines * max(len(cells) for _, cells in bank) for bank in banks) + 1 > height:
        return None
    rows: list[Row] = []
    for number, bank in enumerate(banks):
        # A shorter last bank keeps the frame of the one above it.
        padded = bank + [("", ())] * (across - len(bank))
        rows.append(_lintel(padded, inner, signs, first=number == 0))
        rows += _bank(padded, inner, signs, lines=lines, with_answer=with_answer)
    rows.append(_sill(across, inner, signs))
    return rows


def _columns(sections: Sections, height: int, lines: int) -> list[tuple[str, Sequence[Cell]]] | None:
    """Sections as columns; one with more devices than the height holds continues in the next column."""
    most = (height - 2) // lines
    if most < 1:
        return None
    columns: list[tuple[str, Sequence[Cell]]] = []
    for name, cells in sections.items():
        for at in range(0, len(cells), most):
            columns.append((name if at == 0 else f"{name} (more)", cells[at : at + most]))
    return columns


def _lintel(bank: Sequence[tuple[str, Sequence[Cell]]], inner: int, signs: Signs, *, first: bool) -> Row:
    """The line above a bank, with the names of its sections set into it."""
    box = signs.box
    left, tee, right = (
        (box["top_left"], box["top_tee"], box["top_right"])
        if first
        else (box["left"], box["cross"], box["right"])
    )
    row: list[Piece] = [Piece(left, "frame")]
    for number, (name, _) in enumerate(bank):
        title = f" {cut(_section_name(name, inner), inner - 3, signs.ellipsis)} " if name else ""
        row.append(Piece(box["across"], "frame"))
        row.append(Piece(title, "bold"))
        row.append(Piece(box["across"] * (inner - 1 - width_of(title)), "frame"))
        row.append(Piece(right if number == len(bank) - 1 else tee, "frame"))
    return Row(row)


def _section_name(name: str, inner: int) -> str:
    """``Section 3`` for a bare number where there is room, otherwise the name as drawn."""
    return f"Section {name}" if len(name) <= 3 and inner >= len(name) + 11 else name


def _bank(
    bank: Sequence[tuple[str, Sequence[Cell]]], inner: int, signs: Signs, *, lines: int, with_answer: bool
) -> list[Row]:
    down = Piece(signs.box["down"], "frame")
    rows: list[Row] = []
    for level in range(max(len(cells) for _, cells in bank)):
        for line in range(lines):
            row: list[Piece] = [down]
            for _, cells in bank:
                cell = cells[level] if level < len(cells) else None
                row += _cell_line(cell, inner, signs, line=line, roomy=lines == 2, with_answer=with_answer)
                row.append(down)
            rows.append(Row(row))
    return rows


def _cell_line(
    cell: Cell | None, inner: int, signs: Signs, *, line: int, roomy: bool, with_answer: bool
) -> list[Piece]:
    """One line of one device, exactly ``inner`` columns wide."""
    if cell is None:
        return [Piece(" " * inner)]
    if line == 1:
        return [Piece(" " * 4), Piece(fit(cell.doing, inner - 4, signs.ellipsis), cell.lamp.ink)]
    answer = f" {cell.answer} " if with_answer and cell.answer else " "
    name = fit(f" {cell.tag}", inner - 3 - width_of(answer), signs.ellipsis)
    return [Piece(f" {cell.lamp.sign} ", cell.lamp.glow), Piece(name, "bold" if roomy else ""), Piece(answer)]


def _sill(across: int, inner: int, signs: Signs) -> Row:
    box = signs.box
    run = box["across"] * inner
    return Row([Piece(box["low_left"] + box["low_tee"].join([run] * across) + box["low_right"], "frame")])


def _dots(sections: Sections, width: int, signs: Signs) -> list[Row]:
    """One lamp a device: the section's name, then its lamps, continued on further lines."""
    label = min(max((width_of(name) for name in sections), default=0), width // 3) + 1
    room = max(width - label, 1)
    rows: list[Row] = []
    for name, cells in sections.items():
        for at in range(0, len(cells), room):
            title = fit(name if at == 0 else "", label, signs.ellipsis)
            lamps = [Piece(cell.lamp.sign, cell.lamp.glow) for cell in cells[at : at + room]]
            rows.append(Row([Piece(title, "bold"), *lamps]))
    return rows


def _counts(sections: Sections, width: int, height: int, signs: Signs) -> list[Row]:
    """One line a section with the number of devices by lamp, those in trouble first."""
    rows = [_count_row(name, cells, width, signs) for name, cells in _worst_first(sections)]
    if len(rows) <= height:
        return rows
    shown = rows[: max(height - 1, 0)]
    more = f"and {len(rows) - len(shown)} more sections"
    return [*shown, Row([Piece(fit(more, width, signs.ellipsis), "dim")])][:height]


def _worst_first(sections: Sections) -> list[tuple[str, Sequence[Cell]]]:
    def trouble(cells: Sequence[Cell]) -> int:
        return sum(cell.lamp.word == "fail" for cell in cells)

    return sorted(sections.items(), key=lambda item: -trouble(item[1]))


def _count_row(name: str, cells: Sequence[Cell], width: int, signs: Signs) -> Row:
    label = max(width // 3, 8)
    row = [Piece(fit(name, label, signs.ellipsis), "bold")]
    totals: dict[str, list[Cell]] = {}
    for cell in cells:
        totals.setdefault(cell.lamp.word, []).append(cell)
    left = width - label
    for word, group in totals.items():
        text = f" {group[0].lamp.sign} {len(group)} {word} "
        if width_of(text) > left:
            break
        row.append(Piece(text, group[0].lamp.ink))
        left -= width_of(text)
    return Row(row)
