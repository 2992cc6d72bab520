"""The end of ``sweep run`` for people: what became of each sweep, what waits, what to type next. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from probe.model.finding import Verdict
from probe.present.page import paragraph
from probe.present.row import Piece, Row, fit, width_of
from probe.present.signs import Signs

MOST = 6  # sweeps with a line of their own, the worst first: all of it fits on 24 lines


class SweepLine(NamedTuple):
    """One sweep that was run. opened, closed, changed: findings; open: that are so now; facts: that changed.

    has_run: False if no run came of it; then word says why, else it names the worst open finding.
    """

    name: str
    verdict: Verdict
    opened: int = 0
    closed: int = 0
    changed: int = 0
    open: int = 0
    facts: int = 0
    word: str = ""
    has_run: bool = True


_ORDER = (Verdict.FAIL, Verdict.NOT_TESTED, Verdict.REVIEW, Verdict.PASS)


def sweep_rows(
    lines: Sequence[SweepLine], waits: str, following: Sequence[tuple[str, str]], width: int, signs: Signs
) -> list[Row]:
    """The page. waits: what has not reached its place yet, empty if nothing; following: commands and why."""
    ordered = sorted(lines, key=lambda line: (_ORDER.index(line.verdict), -line.opened, line.name))
    rows = [Row(), _counts(ordered, signs)]
    room = min(max((width_of(line.name) for line in ordered), default=6), 24)
    for line in ordered[:MOST]:
        rows += _line(line, room, width, signs)
    if rest := len(ordered) - MOST:
        rows += [Row([Piece(f"    and {rest} more", "dim")])] if rest > 0 else []
    if waits:
        rows += paragraph(waits, width, lead=[Piece(f" {signs.verdicts[Verdict.REVIEW].sign}  ")])
    wide = max((width_of(command) for command, _ in following), default=0)
    for number, (command, why) in enumerate(following):
        lead = "Next: " if number == 0 else "      "
        fits = len(lead) + wide + 2 + width_of(why) <= width  # a command is never broken: it is copied
        shown = f"{command:<{wide}}  " if fits else command
        rows.append(Row([Piece(lead, "dim"), Piece(shown), *([Piece(why, "dim")] if fits else [])]))
    return rows


def _counts(lines: Sequence[SweepLine], signs: Signs) -> Row:
    ran = sum(line.has_run for line in lines)
    pieces = [Piece(f"{ran} of {len(lines)} lineups swept" if ran < len(lines) else _many(ran))]
    for verdict in _ORDER:
        number = sum(line.verdict is verdict for line in lines)
        lamp = signs.verdicts[verdict]
        pieces += [Piece("   "), Piece(f"{lamp.sign} {lamp.word} {number}", lamp.ink if number else "dim")]
    return Row(pieces)


def _many(number: int) -> str:
    return f"{number} lineup{'' if number == 1 else 's'} swept"


def _line(line: SweepLine, room: int, width: int, signs: Signs) -> list[Row]:
    lamp = signs.verdicts[line.verdict]
    lead = [Piece(f" {lamp.sign}  ", lamp.ink), Piece(fit(line.name, room, signs.ellipsis) + "  ")]
    if not line.has_run:
        return paragraph(line.word, width, lead=lead)[:2]
    counts = f"{line.opened} opened, {line.closed} closed, {line.changed} changed, {line.open} open"
    if line.facts:
        counts += f"; {line.facts} facts changed"
    rows = [Row([*lead, Piece(counts)])]
    if line.word:
        rows += paragraph(line.word, width, indent=6 + room, style="dim")[:1]
    return rows
