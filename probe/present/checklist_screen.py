"""Checklist screen: one line of a field checklist as a person at the gear sees it; and as plain lines.

Pure but for ``show``. The question comes first and the keys last; what a small terminal cannot hold is left
out from the middle, never the question, the caution or the keys.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from probe.judge.checklist.answers import NO, NOT_APPLICABLE, YES, LineState
from probe.model.finding import Verdict
from probe.present.page import paragraph, print_rows
from probe.present.row import Piece, Row, between, cut, width_of
from probe.present.signs import Signs

if TYPE_CHECKING:
    from rich.console import Console

Keys = tuple[tuple[str, str], ...]
_ASIDE: Keys = (("x", "does not apply"), ("s", "leave out"), ("p", "photograph"), ("r", "remark"))
_LOOK: Keys = (("y", "yes"), ("n", "no"), *_ASIDE)
_MEASURE: Keys = (("v", "value, or just type it"), *_ASIDE)
_WAY: Keys = (
    ("right/left", "next/before"),
    ("o", "next open"),
    ("g", "go to"),
    ("q", "stop, to go on later"),
    ("e", "end"),
)
_READ: Keys = (("a", "I have read and understood this"),)
_CAUTION: Keys = (*_READ, ("s", "leave out"), ("right/left", "next/before"), ("q", "stop, to go on later"))
_BEFORE: Keys = (*_READ, ("q", "stop"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Typing:
    """A text that is being typed: what for, what stands there, and what must be written."""

    label: str
    text: str
    hint: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What is to be shown. number: of the line, from 1; 0 is the caution before the list.

    cautions: name and text of what is to be acknowledged now. told: what the desk says to a measured value.
    """

    title: str
    number: int
    states: tuple[LineState, ...]
    cautions: tuple[tuple[str, str], ...] = ()
    typing: Typing | None = None
    message: str = ""
    told: tuple[Verdict, str] | None = None

    @property
    def state(self) -> LineState | None:
        """The line that is shown; None before the list."""
        return self.states[self.number - 1] if self.number else None


def tally(states: Sequence[LineState]) -> str:
    """How many lines are answered how, in words."""
    yes = sum(state.said == YES for state in states)
    no = sum(state.said == NO for state in states)
    other = sum(bool(state.said) and state.said not in (YES, NO, NOT_APPLICABLE) for state in states)
    out = sum(bool(state.skipped) for state in states)
    away = sum(state.said == NOT_APPLICABLE for state in states)
    left = len(states) - yes - no - other - out - away
    words = ((yes, "yes"), (no, "no"), (other, "measured"), (away, "do not apply"), (out, "left out"))
    return ", ".join([*(f"{many} {word}" for many, word in words if many), f"{left} open"])


#: How soon a row is left out where there is no room: blanks first, what must be seen never.
_MUST, _WISH, _SPARE, _BLANK = range(4)
Ranked = tuple[int, Row]


def screen(view: View, width: int, height: int, signs: Signs) -> list[Row]:
    """The rows of the screen, at most ``height``, none wider than ``width``."""
    rows = [*_head(view, width, signs), *_must(view, width), *_spare(view, width, signs), *_foot(view, width)]
    for rank in (_BLANK, _SPARE, _WISH):
        over = len(rows) - height
        places = [number for number, (own, _) in enumerate(rows) if own == rank]
        gone = set(places[max(len(places) - over, 0) :]) if over > 0 else set()
        rows = [row for number, row in enumerate(rows) if number not in gone]
    return [row for _, row in rows][:height]


def _ranked(rank: int, rows: Sequence[Row]) -> list[Ranked]:
    return [(rank, row) for row in rows]


def _head(view: View, width: int, signs: Signs) -> list[Ranked]:
    where = f"{view.number}/{len(view.states)}" if view.number else "before the list"
    title = cut(view.title, max(width - len(where) - 1, 1), signs.ellipsis)
    rows: list[Ranked] = [
        (_WISH, between([Piece(title, "bold")], [Piece(where)], width)),
        (_WISH, Row([Piece(cut(tally(view.states), width, signs.ellipsis), "dim")])),
        (_BLANK, Row()),
    ]
    if view.state is None:
        return rows
    line = view.state.line
    place = line.place or line.about
    if line.about not in place:
        place = f"{line.about}: {place}"
    rows += _ranked(_WISH, paragraph(place, width, style="cyan"))
    return [*rows, *_ranked(_MUST, paragraph(line.ask, width, style="bold")), (_BLANK, Row())]


def _must(view: View, width: int) -> list[Ranked]:
    rows: list[Ranked] = []
    for name, text in view.cautions[:1]:
        lead = [Piece("CAUTION ", "bold black on yellow"), Piece(" ")]
        rows += [*_ranked(_MUST, paragraph(f"{text} ({name})", width, lead=lead)), (_BLANK, Row())]
    return rows


def _spare(view: View, width: int, signs: Signs) -> list[Ranked]:
    """The answer so far, what the desk says, photographs, the source."""
    state = view.state
    if state is None:
        return []
    rows: list[Row] = []
    if view.told is not None:
        lamp = signs.verdicts[view.told[0]]
        rows += paragraph(view.told[1], width, lead=[Piece(f"{lamp.sign} {lamp.word:<6}".ljust(8), lamp.ink)])
    first = paragraph(answer_words(state), width, lead=[Piece("Now     ", "dim")])
    for _, one in state.photographs:
        rows += paragraph(one.question, width, lead=[Piece("Photo   ", "dim")])
    for _, one in state.remarks:
        rows += paragraph(one.said, width, lead=[Piece("Remark  ", "dim")])
    if state.line.photograph and not state.photographs:
        rows += paragraph("a photograph is wanted (p)", width, lead=[Piece("        ")])
    rows += paragraph(state.line.source, width, lead=[Piece("Source  ", "dim")], style="dim")
    return [*_ranked(_SPARE, [*first, *rows]), (_BLANK, Row())]


def answer_words(state: LineState) -> str:
    """What stands of the answer, in words."""
    if state.answer is None:
        return "not answered"
    answer = state.answer[1]
    by = f" ({answer.initials})" if answer.initials else ""
    if state.skipped:
        return f"left out: {state.skipped}{by}"
    return f"{state.said}{f': {answer.remark}' if answer.remark else ''}{by}"


def _foot(view: View, width: int) -> list[Ranked]:
    rows = _ranked(_MUST, paragraph(view.message, width, style="yellow") if view.message else [])
    if view.typing is not None:
        rows += _ranked(_WISH, paragraph(view.typing.hint, width, style="dim") if view.typing.hint else [])
        lead = [Piece(f"{view.typing.label}: ", "bold")] if width_of(view.typing.label) < width - 12 else []
        return [*rows, *_ranked(_MUST, paragraph(f"{view.typing.text}_", width, lead=lead))]
    if view.state is None:
        return [*rows, *_ranked(_MUST, _keys(_BEFORE, width))]
    if view.cautions:
        return [
            *rows,
            *_ranked(_MUST, _keys(_CAUTION[:1], width)),
            *_ranked(_WISH, _keys(_CAUTION[1:], width)),
        ]
    own = _LOOK if view.state.line.measure is None else _MEASURE
    return [*rows, *_ranked(_MUST, _keys(own, width)), *_ranked(_WISH, _keys(_WAY, width))]


def _keys(keys: Keys, width: int) -> list[Row]:
    """Keys with what they do, each kept on one line where it fits, as many beside each other as fit."""
    rows: list[Row] = []
    line: list[Piece] = []
    for key, meaning in keys:
        size = width_of(key) + 1 + width_of(meaning)
        taken = sum(width_of(piece.text) for piece in line)
        if taken and taken + 3 + size > width:
            rows.append(Row(line))
            line, taken = [], 0
        if size > width:
            rows += paragraph(meaning, width, lead=[Piece(f"{key} ", "bold")])
            continue
        line += [Piece(" " * (3 if taken else 0)), Piece(key, "bold"), Piece(f" {meaning}")]
    return [*rows, *([Row(line)] if line else [])]


def show(console: Console, rows: Sequence[Row], *, live: bool) -> None:
    """Print the screen, in place of the one before where the terminal can."""
    if live:
        console.clear()
    print_rows(console, rows if live else [*rows, Row()])
