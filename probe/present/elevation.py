"""Elevation: the lineup drawn as the gear stands: sections side by side, devices stacked in each.

Four densities, the richest that fits the space is taken:

    roomy    two lines a device: lamp and tag, then what it is doing or how it answers
    compact  one line a device: lamp, tag, reply time
    tight    one line a device: lamp and tag
    dots     one lamp a device, sections along the lines
    counts   one line a section: how many devices show which lamp

Pure: names and lamps in, rows of styled text out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from probe.model.finding import Verdict
from probe.present.row import Piece, Row, cut, fit, width_of
from probe.present.signs import Lamp, Signs


@dataclass(frozen=True, slots=True)
class Cell:
    """One device as it is drawn. answer: reply time or empty; doing: what it is doing or its verdict."""

    tag: str
    lamp: Lamp
    answer: str = ""
    doing: str = ""


#: Tags by section; how a tag is drawn is asked only for what is drawn.
Sections = Mapping[str, Sequence[str]]
CellOf = Callable[[str], Cell]
LampOf = Callable[[str], Lamp]
Column = tuple[str, Sequence[str]]


def draw(
    sections: Sections, cell_of: CellOf, lamp_of: LampOf, size: tuple[int, int], signs: Signs
) -> list[Row]:
    """The richest drawing of the sections that needs at most ``size[1]`` rows of ``size[0]`` columns.

    If even the counts do not fit, the last row says how many sections are not shown.
    """
    width, height = size
    longest = max((width_of(tag) for tags in sections.values() for tag in tags), default=0)
    if longest == 0:
        return []
    for lines, with_answer in ((2, True), (1, True), (1, False)):
        banks, widths = _front(sections, longest, size, lines=lines, with_answer=with_answer)
        if banks:
            return _View(widths, signs, lines, with_answer, cell_of).rows(banks)
    if sum(len(tags) for tags in sections.values()) <= width * height:
        dots = _dots(sections, lamp_of, width, signs)
        if len(dots) <= height:
            return dots
    return _counts(sections, lamp_of, size, signs)


def _front(
    sections: Sections, longest: int, size: tuple[int, int], *, lines: int, with_answer: bool
) -> tuple[list[list[Column]], list[int]]:
    """Banks and inner widths of the front view with so many lines a device; no banks if it does not fit."""
    width, height = size
    least = max(3 + 1 + longest + (7 if with_answer else 1), 12 if lines == 1 else 20)
    across = (width - 1) // (least + 1)
    tallest = (height - 2) // lines
    if across < 1 or tallest < 1:
        return [], []
    banks = _banks(_columns(sections, tallest), across)
    if sum(1 + lines * max(len(tags) for _, tags in bank) for bank in banks) + 1 > height:
        return [], []
    return banks, _widths(width, len(banks[0]), least)


def _banks(columns: Sequence[Column], most: int) -> list[list[Column]]:
    """The columns in banks of equal width, as few as possible; the last one is filled with empty ones."""
    count = -(-len(columns) // most)
    across = -(-len(columns) // count)
    banks = [list(columns[at : at + across]) for at in range(0, len(columns), across)]
    banks[-1] += [("", ())] * (across - len(banks[-1]))
    return banks


def _widths(width: int, across: int, least: int) -> list[int]:
    """Inner widths of the columns: the whole width shared out, no column wildly wider than it must be."""
    room = min(width - 1 - across, across * (least + 14))
    return [room // across + (number < room % across) for number in range(across)]


def _columns(sections: Sections, tallest: int) -> list[Column]:
    """Sections as columns; one with more devices than a column holds continues in the next."""
    columns: list[Column] = []
    for name, tags in sections.items():
        for at in range(0, len(tags), tallest):
            columns.append((name if at == 0 else f"{name} (more)", tags[at : at + tallest]))
    return columns


@dataclass(frozen=True, slots=True)
class _View:
    """How a front view is drawn: inner widths of its columns, signs, lines a device, with answers or not."""

    widths: Sequence[int]
    signs: Signs
    lines: int
    with_answer: bool
    cell_of: CellOf

    def rows(self, banks: Sequence[Sequence[Column]]) -> list[Row]:
        """The whole view."""
        rows: list[Row] = []
        for number, bank in enumerate(banks):
            rows.append(self.lintel(bank, first=number == 0))
            rows += self.bank(bank)
        return [*rows, self.sill()]

    def lintel(self, bank: Sequence[Column], *, first: bool) -> Row:
        """The line above a bank, with the names of its sections set into it."""
        box = self.signs.box
        names = ("top_left", "top_tee", "top_right") if first else ("left", "cross", "right")
        left, tee, right = (box[name] for name in names)
        row: list[Piece] = [Piece(left, "frame")]
        for number, ((name, _), inner) in enumerate(zip(bank, self.widths, strict=True)):
            title = f" {cut(_section_name(name, inner), inner - 3, self.signs.ellipsis)} " if name else ""
            row.append(Piece(box["across"], "frame"))
            row.append(Piece(title, "bold"))
            row.append(Piece(box["across"] * (inner - 1 - width_of(title)), "frame"))
            row.append(Piece(right if number == len(bank) - 1 else tee, "frame"))
        return Row(row)

    def bank(self, bank: Sequence[Column]) -> list[Row]:
        """The devices of a bank between the lines of its sections."""
        return [
            self._level(bank, level, line)
            for level in range(max(len(tags) for _, tags in bank))
            for line in range(self.lines)
        ]

    def sill(self) -> Row:
        """The line below the last bank."""
        box = self.signs.box
        runs = [box["across"] * inner for inner in self.widths]
        return Row([Piece(box["low_left"] + box["low_tee"].join(runs) + box["low_right"], "frame")])

    def _level(self, bank: Sequence[Column], level: int, line: int) -> Row:
        down = Piece(self.signs.box["down"], "frame")
        row: list[Piece] = [down]
        for (_, tags), inner in zip(bank, self.widths, strict=True):
            row += self._cell(self.cell_of(tags[level]) if level < len(tags) else None, inner, line)
            row.append(down)
        return Row(row)

    def _cell(self, cell: Cell | None, inner: int, line: int) -> list[Piece]:
        """One line of one device, exactly ``inner`` columns wide."""
        if cell is None:
            return [Piece(" " * inner)]
        ellipsis = self.signs.ellipsis
        if line == 1:
            return [Piece(" " * 4), Piece(fit(cell.doing, inner - 5, ellipsis), cell.lamp.ink), Piece(" ")]
        answer = f" {cell.answer}" if self.with_answer and cell.answer else ""
        room = inner - 3 - width_of(answer)
        if room > 1 + width_of(cell.tag):  # a blank before the frame where there is room for it
            room, answer = room - 1, answer + " "
        name = fit(f" {cell.tag}", room, ellipsis)
        return [
            Piece(f" {cell.lamp.sign} ", cell.lamp.glow),
            Piece(name, "bold" if self.lines > 1 else ""),
            Piece(answer),
        ]


def _section_name(name: str, inner: int) -> str:
    """``Section 3`` for a bare number where there is room, otherwise the name as drawn."""
    return f"Section {name}" if len(name) <= 3 and inner >= len(name) + 11 else name


def _dots(sections: Sections, lamp_of: LampOf, width: int, signs: Signs) -> list[Row]:
    """One lamp a device, section after section along the lines: its name, then its lamps."""
    rows: list[list[Piece]] = [[]]
    left = width
    for name, tags in sections.items():
        title = f"{cut(name, width // 3, signs.ellipsis)} "
        if left < width and left < width_of(title) + min(len(tags), 8):
            rows.append([])
            left = width
        rows[-1].append(Piece(title, "bold"))
        left -= width_of(title)
        for tag in tags:
            if left == 0:
                rows.append([])
                left = width
            lamp = lamp_of(tag)
            rows[-1].append(Piece(lamp.sign, lamp.glow))
            left -= 1
        gap = min(left, 2)
        rows[-1].append(Piece(" " * gap))
        left -= gap
    return [Row(row) for row in rows]


def _counts(sections: Sections, lamp_of: LampOf, size: tuple[int, int], signs: Signs) -> list[Row]:
    """One line a section with the number of devices by lamp, those in trouble first."""
    width, height = size
    totals = {name: Counter(map(lamp_of, tags)) for name, tags in sections.items()}
    failed = signs.verdicts[Verdict.FAIL]
    names = sorted(totals, key=lambda name: -totals[name][failed])
    if len(names) <= height:
        return [_count_row(name, totals[name], width, signs) for name in names]
    shown = names[: max(height - 1, 0)]
    more = f"and {len(names) - len(shown)} more sections"
    rows = [_count_row(name, totals[name], width, signs) for name in shown]
    return [*rows, Row([Piece(cut(more, width, signs.ellipsis), "dim")])][:height]


def _count_row(name: str, total: Counter[Lamp], width: int, signs: Signs) -> Row:
    label = max(width // 4, 8)
    row = [Piece(fit(name, label, signs.ellipsis), "bold")]
    left = width - label
    for lamp, count in total.most_common():
        text = f" {count} {lamp.word}  "
        if 3 + width_of(text) > left:
            break
        row += [Piece(f" {lamp.sign} ", lamp.glow), Piece(text, lamp.ink)]
        left -= 3 + width_of(text)
    return Row(row)
