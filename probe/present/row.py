"""Rows of styled text with a known width: what pictures are made of before a terminal sees them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from probe.present.console import clean

#: Holds two words on one line while text is wrapped; shown as a blank.
NO_BREAK = "\N{NO-BREAK SPACE}"


class Piece(NamedTuple):
    """Text in one style. style: ``frame`` for lines of the drawing, otherwise a style of the terminal."""

    text: str
    style: str = ""


class Row(tuple[Piece, ...]):
    """One line of a picture."""

    __slots__ = ()

    def __new__(cls, pieces: Iterable[Piece] = ()) -> Row:
        """A row of the pieces that hold text."""
        return super().__new__(cls, (piece for piece in pieces if piece.text))

    @property
    def text(self) -> str:
        """The row without its styles."""
        return "".join(piece.text for piece in self)

    @property
    def width(self) -> int:
        """Columns that the row takes."""
        return width_of(self.text)


def width_of(text: str) -> int:
    """Columns of a terminal that the text takes."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)


def cut(text: str, width: int, ellipsis: str) -> str:
    """The text in at most ``width`` columns, its loss shown by the ellipsis."""
    text = clean(text).replace(NO_BREAK, " ")
    if width_of(text) <= width:
        return text
    if width <= 0:
        return ""
    from rich.cells import set_cell_size

    return set_cell_size(text, width - 1).rstrip() + ellipsis


def fit(text: str, width: int, ellipsis: str) -> str:
    """The text in exactly ``width`` columns, cut or filled with blanks."""
    shown = cut(text, width, ellipsis)
    return shown + " " * (width - width_of(shown))


def between(left: Sequence[Piece], right: Sequence[Piece], width: int) -> Row:
    """A row with one group at each end; the right one is left out where both do not fit."""
    taken = sum(width_of(piece.text) for piece in (*left, *right))
    if taken + 1 > width:
        return Row(left)
    return Row([*left, Piece(" " * (width - taken)), *right])
