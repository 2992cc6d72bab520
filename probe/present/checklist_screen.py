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


def screen(view: View, width: int, height: int, signs: Signs) -> list[Row]:
    """The rows of the screen, at most ``height``, none wider than ``width``."""
    head, foot = _head(view, width, signs), _foot(view, width)
    middle = _must(view, width) if view.cautions else []
    spare = _spare(view, width, signs)
    room = height - len(head) - len(foot) - len(middle)
    return [*head, *middle, *(spare[: max(room, 0)]), *foot][:height]


def _head(view: View, width: int, signs: Signs) -> list[Row]:
    where = f"{view.number}/{len(view.states)}" if view.number else "before the list"
    rows = [
        between([Piece(cut(view.title, max(width - 14, 8), signs.ellipsis), "bold")], [Piece(where)], width),
        Row([Piece(cut(tally(view.states), width, signs.ellipsis), "dim")]),
        Row(),
    ]
    if view.state is None:
        return rows
    line = view.state.line
    place = line.place or line.about
    if line.about not in place:
        place = f"{line.about}: {place}"
    return [*rows, *paragraph(place, width, style="cyan"), *paragraph(line.ask, width, style="bold"), Row()]


def _must(view: View, width: int) -> list[Row]:
    rows: list[Row] = []
    for name, text in view.cautions[:1]:
        lead = [Piece("CAUTION ", "bold black on yellow"), Piece(" ")]
        rows += [*paragraph(f"{text} ({name})", width, lead=lead), Row()]
    return rows


def _spare(view: View, width: int, signs: Signs) -> list[Row]:
    """What may be left out on a small terminal: the answer so far, photographs, the source."""
    state = view.state
    if state is None:
        return []
    rows = paragraph(answer_words(state), width, lead=[Piece("Now     ", "dim")])
    if view.told is not None:
        lamp = signs.verdicts[view.told[0]]
        rows += paragraph(view.told[1], width, lead=[Piece(f"{lamp.sign} {lamp.word:<6}".ljust(8), lamp.ink)])
    for _, one in state.photographs:
        rows += paragraph(one.question, width, lead=[Piece("Photo   ", "dim")])
    for _, one in state.remarks:
        rows += paragraph(one.said, width, lead=[Piece("Remark  ", "dim")])
    if state.line.photograph and not state.photographs:
        rows += paragraph("a photograph is wanted (p)", width, lead=[Piece("        ")])
    return [*rows, *paragraph(state.line.source, width, lead=[Piece("Source  ", "dim")], style="dim"), Row()]


def answer_words(state: LineState) -> str:
    """What stands of the answer, in words."""
    if state.answer is None:
        return "not answered"
    answer = state.answer[1]
    by = f" ({answer.initials})" if answer.initials else ""
    if state.skipped:
        return f"left out: {state.skipped}{by}"
    return f"{state.said}{f': {answer.remark}' if answer.remark else ''}{by}"


def _foot(view: View, width: int) -> list[Row]:
    rows = paragraph(view.message, width, style="yellow") if view.message else []
    if view.typing is not None:
        rows += paragraph(view.typing.hint, width, style="dim") if view.typing.hint else []
        return [
            *rows,
            *paragraph(f"{view.typing.text}_", width, lead=[Piece(f"{view.typing.label}: ", "bold")]),
        ]
    if view.state is None:
        return [*rows, *_keys(_BEFORE, width)]
    if view.cautions:
        return [*rows, *_keys(_CAUTION, width)]
    own = _LOOK if view.state.line.measure is None else _MEASURE
    return [*rows, *_keys(own, width), *_keys(_WAY, width)]


def _keys(keys: Keys, width: int) -> list[Row]:
    """Keys with what they do, each kept on one line, as many beside each other as fit."""
    rows: list[list[Piece]] = [[]]
    taken = 0
    for key, meaning in keys:
        size = width_of(key) + 1 + width_of(meaning)
        if taken and taken + 3 + size > width:
            rows.append([])
            taken = 0
        gap = 3 if taken else 0
        rows[-1] += [Piece(" " * gap), Piece(key, "bold"), Piece(f" {meaning}")]
        taken += gap + size
    return [Row(row) for row in rows]


def show(console: Console, rows: Sequence[Row], *, live: bool) -> None:
    """Print the screen, in place of the one before where the terminal can."""
    if live:
        console.clear()
    print_rows(console, rows if live else [*rows, Row()])
