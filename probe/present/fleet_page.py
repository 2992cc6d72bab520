"""The fleet on one screen: every lineup by its latest run, the worst first; and one lineup's open findings.

Pure: the present is handed in. No lamp goes by its colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import NamedTuple

from probe.history.life import Life
from probe.history.slot_book import Booked, SlotState
from probe.history.status import Standing
from probe.model.finding import Verdict
from probe.present.page import paragraph
from probe.present.row import Piece, Row, fit, width_of
from probe.present.signs import Signs


class LineupLine(NamedTuple):
    """One lineup of the fleet. sweep: its name, empty for a lineup that only the history knows.

    standing: None before its first run. worst: its most dangerous open finding. overdue: a start is missing.
    """

    sweep: str
    standing: Standing | None
    open: int = 0
    worst: Life | None = None
    drifting: int = 0
    last_slot: Booked | None = None
    next_at_s: float | None = None
    overdue: bool = False


def verdict_of(line: LineupLine) -> Verdict:
    """The one word for a lineup: nothing known, or an incomplete run, is never a pass."""
    standing = line.standing
    if standing is None:
        return Verdict.NOT_TESTED
    if standing.fails:
        return Verdict.FAIL
    if not standing.complete or line.overdue:
        return Verdict.NOT_TESTED
    return Verdict.REVIEW if standing.reviews or line.drifting else Verdict.PASS


_ORDER = (Verdict.FAIL, Verdict.NOT_TESTED, Verdict.REVIEW, Verdict.PASS)


def fleet_rows(lines: Sequence[LineupLine], now_s: float, width: int, signs: Signs) -> list[Row]:
    """The screen: a head, one line a lineup (two where it needs a word), a foot."""
    ordered = sorted(lines, key=lambda line: (_ORDER.index(verdict_of(line)), _danger(line), _name(line)))
    rows = [_counts(ordered, signs), Row()]
    room = min(max((width_of(_name(line)) for line in ordered), default=6), max(14, width - 46))
    rows.append(Row([Piece(f"    {'lineup':<{room}}  {'last run':<10} fail review untested  open", "dim")]))
    for line in ordered:
        rows.append(_line(line, now_s, room, signs))
        if word := _word(line):
            rows += paragraph(word, width, indent=4, style="dim")
    return rows


def _danger(line: LineupLine) -> int:
    return -(line.worst.danger if line.worst else 0)


def _name(line: LineupLine) -> str:
    if line.standing is None:
        return line.sweep
    return f"{line.standing.site} / {line.standing.lineup}"


def _counts(lines: Sequence[LineupLine], signs: Signs) -> Row:
    pieces = [Piece(f"{len(lines)} lineups")]
    for verdict in _ORDER:
        number = sum(verdict_of(line) is verdict for line in lines)
        lamp = signs.verdicts[verdict]
        pieces += [Piece("   "), Piece(f"{lamp.sign} {lamp.word} {number}", lamp.ink if number else "dim")]
    return Row(pieces)


def _line(line: LineupLine, now_s: float, room: int, signs: Signs) -> Row:
    lamp = signs.verdicts[verdict_of(line)]
    pieces = [Piece(f" {lamp.sign}  ", lamp.ink), Piece(fit(_name(line), room, signs.ellipsis))]
    standing = line.standing
    if standing is None:
        return Row([*pieces, Piece("  no run yet")])
    age = age_phrase(now_s - standing.started_ns / 1e9)
    numbers = f"{standing.fails:>4} {standing.reviews:>6} {standing.untested:>8}  {line.open:>4}"
    return Row([*pieces, Piece(f"  {age:<10} {numbers}")])


def _word(line: LineupLine) -> str:
    """What a person must know beside the numbers, empty if nothing."""
    words = []
    if line.overdue:
        words.append("overdue: a start by its time table did not happen")
    slot = line.last_slot
    if slot is not None and slot.state in (SlotState.FAILED, SlotState.STOPPED, SlotState.SKIPPED):
        words.append(f"last start {slot.state.value}: {slot.why}")
    if line.standing is not None and not line.standing.complete:
        words.append("the last run is incomplete")
    if line.worst is not None:
        words.append(f"{line.worst.subject}: {line.worst.title}")
    if line.drifting:
        words.append(f"{line.drifting} drifting")
    return "; ".join(words)


def age_phrase(seconds: float) -> str:
    """How long ago, in at most eight columns."""
    if seconds < 0:
        return "in future"
    for unit_s, word in ((86_400, "d"), (3600, "h"), (60, "min")):
        if seconds >= 2 * unit_s or (word == "min" and seconds >= 60):
            return f"{int(seconds // unit_s)} {word} ago"
    return "just now"


def open_rows(lives: Sequence[Life], now_s: float, width: int, signs: Signs, *, most: int = 20) -> list[Row]:
    """Open findings of one lineup, the most dangerous first."""
    rows = []
    for life in lives[:most]:
        lamp = signs.verdicts[life.verdict]
        lead = [Piece(f" {lamp.sign} ", lamp.ink), Piece(fit(life.subject, 14, signs.ellipsis) + " ")]
        since = date_text(life.opened.at_ns)
        rows += paragraph(f"{life.title} (since {since})", width, lead=lead)
    if len(lives) > most:
        rows.append(Row([Piece(f"   and {len(lives) - most} more", "dim")]))
    return rows


def date_text(wall_ns: int) -> str:
    """A day as people write it in lists: ``2026-03-14``."""
    return datetime.fromtimestamp(wall_ns // 10**9, UTC).strftime("%Y-%m-%d")
