"""Clock bar: where a clock's offset can lie beside the tolerance, as one row of a page or picture. Pure.

    ······│▒▒▒▒▒▒▒█▒▒▒▒▒▒▒▒│······      tolerance ▒ between its edges │, offset █, all else ·
    ······│▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒│·····▶       the offset lies beyond the scale

The scale is linear and the same for all clocks of a run, so that bars can be compared down the page.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe.judge.clock_state import ClockState
from probe.judge.clock_track import Behaviour
from probe.judge.limit import Interval
from probe.judge.wording import span
from probe.model.finding import Verdict
from probe.present.row import Piece
from probe.present.signs import Signs

#: The scale reaches so many tolerances to either side.
REACH = 1.6
INK = {Verdict.PASS: "bold green", Verdict.FAIL: "bold red", Verdict.REVIEW: "bold yellow"}


@dataclass(frozen=True, slots=True)
class BarSigns:
    """Signs of the bar, one column each."""

    offset: str
    inside: str
    edge: str
    outside: str
    below: str
    above: str
    plus_minus: str


FULL_BAR = BarSigns("█", "▒", "│", "·", "◀", "▶", "±")
ASCII_BAR = BarSigns("#", "-", "|", ".", "<", ">", "+-")


def bar_signs(signs: Signs) -> BarSigns:
    """The signs of the bar that go with a set of signs."""
    return FULL_BAR if signs.bar_full == "█" else ASCII_BAR


def bar(
    offset: Interval | None, tolerance_s: float, width: int, signs: Signs, verdict: Verdict
) -> list[Piece]:
    """The bar in exactly ``width`` columns; without an offset only the tolerance is drawn."""
    mine = bar_signs(signs)
    cells = [_ground(column, width, mine) for column in range(width)]
    if offset is None:
        return [Piece("".join(cells), "dim")]
    first = _column(offset.low, tolerance_s, width)
    last = _column(offset.high, tolerance_s, width)
    if last < 0 or first >= width:
        at = 0 if last < 0 else width - 1
        arrow = mine.below if last < 0 else mine.above
        before, after = "".join(cells[:at]), "".join(cells[at + 1 :])
        return [Piece(before, "dim"), Piece(arrow, INK.get(verdict, "bold")), Piece(after, "dim")]
    first, last = max(first, 0), min(last, width - 1)
    return [
        Piece("".join(cells[:first]), "dim"),
        Piece(mine.offset * (last - first + 1), INK.get(verdict, "bold")),
        Piece("".join(cells[last + 1 :]), "dim"),
    ]


def scale(tolerance_s: float, width: int) -> str:
    """The words over the bars: the edges of the tolerance and the middle, at their columns."""
    line = [" "] * width
    for value in (-tolerance_s, 0.0, tolerance_s):
        text = f"{value:+g} s" if value else "0"
        start = _column(value, tolerance_s, width) - (len(text) - 1) // 2
        start = max(0, min(start, width - len(text)))
        if all(sign == " " for sign in line[start : start + len(text)]):
            line[start : start + len(text)] = text
    return "".join(line)


def _ground(column: int, width: int, mine: BarSigns) -> str:
    """What stands at a column where no offset is."""
    low, high = _column(-1.0, 1.0, width), _column(1.0, 1.0, width)
    if column in (low, high):
        return mine.edge
    return mine.inside if low < column < high else mine.outside


def _column(seconds: float, tolerance_s: float, width: int) -> int:
    """The column of an offset; below 0 or from width on if it lies beyond the scale."""
    place = (seconds / (REACH * tolerance_s) + 1) / 2
    return min(max(int(place * width // 1), -1), width)


def offset_text(state: ClockState | None, signs: Signs) -> str:
    """The offset with its uncertainty, in at most 20 columns; in words where there is none."""
    if state is None or not state.readings:
        return "no date" if state is not None and state.impossible else ""
    words = {
        Behaviour.STOPPED: "stands still",
        Behaviour.CACHED: "from memory",
        Behaviour.UNSETTLED: "contradicts itself",
    }
    if state.behaviour in words:
        return words[state.behaviour]
    if state.offset_s is None:
        return "no reference"
    return interval_text(state.offset_s, signs)


def interval_text(interval: Interval, signs: Signs) -> str:
    """An interval of seconds as value and uncertainty, with the digits that it can carry."""
    middle, half = interval.middle, interval.half_width
    mark = bar_signs(signs).plus_minus
    if abs(middle) >= 3600:
        return f"{'-' if middle < 0 else '+'}{span(middle)}"
    digits = 3 if half < 0.1 else 2 if half < 1 else 1
    return f"{middle:+.{digits}f} {mark} {half:.{digits}f} s"
