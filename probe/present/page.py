"""Page: rows of wrapped text with indents, for summaries and openings; never wider than asked.

Pure. ``print_rows`` is the one place that hands rows to a console.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from probe.present.console import clean
from probe.present.row import NO_BREAK, Piece, Row, width_of

if TYPE_CHECKING:
    from rich.console import Console

#: Lines longer than this are hard to read whatever the terminal offers.
WIDEST = 110


def wrap(text: str, width: int) -> list[str]:
    """The text in lines of at most ``width`` columns, broken at blanks, long words cut."""
    width = max(width, 8)
    lines, line = [], ""
    for word in _words(clean(text, keep_lines=True), width):
        if line and width_of(line) + 1 + width_of(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}" if line else word
    lines = [*lines, line] if line or not lines else lines
    return [whole.replace(NO_BREAK, " ") for whole in lines]


def _words(text: str, width: int) -> Iterable[str]:
    """The words of the text; one that is wider than a line comes in parts."""
    for word in filter(None, text.replace("\n", " ").split(" ")):
        rest = word
        while width_of(rest) > width:
            head = _longest_head(rest, width)
            yield head
            rest = rest[len(head) :]
        if rest:
            yield rest


def _longest_head(word: str, width: int) -> str:
    end = min(len(word), width)
    while end > 1 and width_of(word[:end]) > width:
        end -= 1
    return word[:end]


def paragraph(
    text: str, width: int, *, lead: Sequence[Piece] = (), indent: int = 0, style: str = ""
) -> list[Row]:
    """The text wrapped behind a lead; further lines are indented to where the text began.

    lead: pieces in front of the first line, after ``indent`` blanks.
    """
    blank = Piece(" " * indent)
    hang = indent + sum(width_of(piece.text) for piece in lead)
    rows = []
    for number, line in enumerate(wrap(text, width - hang)):
        start = (blank, *lead) if number == 0 else (Piece(" " * hang),)
        rows.append(Row([*start, Piece(line, style)]))
    return rows


def facts(pairs: Sequence[tuple[str, str]], width: int, *, indent: int = 0) -> list[Row]:
    """Names and texts in two columns, texts wrapped; pairs without a text are left out."""
    shown = [(name, text) for name, text in pairs if text]
    room = max((width_of(name) for name, _ in shown), default=0) + 2
    rows: list[Row] = []
    for name, text in shown:
        rows += paragraph(text, width, lead=[Piece(name.ljust(room), "dim")], indent=indent)
    return rows


def print_rows(console: Console, rows: Iterable[Row]) -> None:
    """Print the rows as they are, whatever width the console thinks it has."""
    from rich.text import Text

    for row in rows:
        console.print(Text.assemble(*row), soft_wrap=True)


def page_width(console: Console) -> int:
    """Columns that a page takes on this console."""
    return max(20, min(console.width, WIDEST))
