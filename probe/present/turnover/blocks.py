"""Blocks: what a document is made of, whatever it is printed with; every printer knows all of them.

Texts are plain text, never markup: a printer escapes or hands them over as data. Lengths are millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from probe.model.finding import Verdict


class PageOf(NamedTuple):
    """Where in the document a heading stands: its page on paper, a link elsewhere. mark: the heading's."""

    mark: str


#: What stands in a cell of a table: text, a verdict (shown as lamp and word), or where something stands.
Cell = str | Verdict | PageOf


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """level: 1 or 2. mark: short name for links, unique. new_page: begins a page. verdict: lamp beside it."""

    text: str
    level: int = 1
    mark: str = ""
    new_page: bool = False
    side: str = ""
    verdict: Verdict | None = None
    kind: str = field(default="heading", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A paragraph. manner: ``plain``, ``strong``, ``small`` or ``caution`` (in a frame, with its word)."""

    text: str
    manner: str = "plain"
    kind: str = field(default="text", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Names and texts in two columns. codes: names of those that are set in a fixed-width face."""

    pairs: tuple[tuple[str, str], ...]
    codes: tuple[str, ...] = ()
    kind: str = field(default="facts", init=False)


class Column(NamedTuple):
    """width: share of the room, 0 for just what it needs. right: numbers, aligned at their end."""

    title: str
    width: float = 0.0
    right: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under a head that is repeated on each page. title: what it is, for those who do not see it.

    small: in a smaller size, for many rows. bare: lamps without their words, where there is no room.
    """

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    small: bool = False
    bare: bool = False
    kind: str = field(default="table", init=False)

    @property
    def long(self) -> bool:
        """True if it may go on over a page; a short one is kept in one piece."""
        signs = sum(len(cell) for row in self.rows for cell in row)
        return len(self.rows) > 7 or signs > 900


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One entry of a numbered list: its head and further lines (name and text)."""

    number: str
    head: str
    lines: tuple[tuple[str, str], ...] = ()
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Items:
    """Numbered entries."""

    items: tuple[Item, ...]
    kind: str = field(default="items", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """Lines in a fixed-width face, broken anywhere rather than cut."""

    lines: tuple[str, ...]
    kind: str = field(default="code", init=False)


class Shape(NamedTuple):
    """One part of a drawing.

    what: ``line`` (x, y to x2, y2), ``box`` (corner, width and height), ``dot`` (middle, radius in x2) or
    ``text`` (middle of its height; x2: size in points; anchor in ``ink2``: left, middle, right).
    ink: colour of line or text; ink2: filling of a box or dot.
    """

    what: str
    x: float
    y: float
    x2: float = 0.0
    y2: float = 0.0
    ink: str = ""
    ink2: str = ""
    weight: float = 0.2
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A drawing of ours. alternative: the same in words, for those who do not see it. caption: below it."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    alternative: str
    caption: str = ""
    kind: str = field(default="drawing", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture made elsewhere. svg: its text; width: millimetres; alternative: the same in words."""

    svg: str
    width: float
    alternative: str
    caption: str = ""
    kind: str = field(default="picture", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Two stacks of blocks side by side. share: of the left one."""

    left: tuple[Block, ...]
    right: tuple[Block, ...]
    share: float = 0.5
    kind: str = field(default="beside", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """One block to be signed by hand. lines: what is to be filled in. given: what is known already."""

    role: str
    meaning: str
    lines: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatures:
    """Blocks to be signed, side by side."""

    blocks: tuple[Signature, ...]
    kind: str = field(default="signatures", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """The first page. said: the verdict in a sentence; counts: by verdict; note: what was not tested."""

    over: str
    title: str
    site: str
    verdict: Verdict
    said: str
    counts: tuple[tuple[Verdict, str], ...]
    facts: tuple[tuple[str, str], ...]
    codes: tuple[str, ...]
    note_title: str
    notes: tuple[str, ...]
    kind: str = field(default="cover", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """The table of contents."""

    title: str
    kind: str = field(default="contents", init=False)


Block = (
    Heading | Text | Facts | Table | Items | Code | Drawing | Picture | Beside | Signatures | Cover | Contents
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """What stands on every page. warning: empty, or the word that says that the whole counts for nothing.

    words: what printers say of their own (page numbers and the like), by name.
    """

    language: str
    title: str
    author: str
    head_left: str
    head_right: str
    foot_left: str
    warning: str
    words: dict[str, str]
    lamps: dict[str, tuple[str, str, str, str]]  # verdict to sign, word, filling, ink
