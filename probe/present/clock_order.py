"""Order of events: from when on stamps tell which of two events was first; for people, and in JSON.

    Order of events
      Worst pair     52-F1 and 52-F3: 2.031 s apart at least (1.017 s with the measured offsets taken off)
      Half of pairs  1.022 s (1.016 s)
                          -2 s           0           +2 s
        52-F1  ······│▒▒▒▒▒▒▒▒████▒▒▒▒▒▒▒▒▒│······   an event stamped "now" by this clock happened in the bar

Bars that do not meet tell the order of events that both clocks stamp alike. Pure.
"""

from __future__ import annotations

from typing import Any

from probe.judge.clock_fleet import Fleet, Member
from probe.judge.limit import Interval
from probe.model.finding import Verdict
from probe.present.clock_bar import bar, scale
from probe.present.page import facts, paragraph
from probe.present.row import Piece, Row, fit, width_of
from probe.present.signs import Signs

_TAG_COLUMNS = 12
_WINDOW_COLUMNS = 24
_LEAST_BAR = 12
#: So many clocks get a bar; more than a screen of them is no picture.
_MOST_BARS = 40


def order_rows(fleet: Fleet, width: int, signs: Signs) -> list[Row]:
    """The section as rows of at most ``width`` columns; none for fewer than two clocks."""
    worst = fleet.worst
    if worst is None:
        return []
    pairs = [
        (
            "Worst pair",
            (
                f"{worst.first} and {worst.second}: stamps tell the order when more than "
                f"{seconds(worst.raw_s)} apart ({seconds(worst.corrected_s)} with the offsets measured here "
                "taken off)"
            ),
        ),
        ("Half of pairs", f"{seconds(fleet.median_s)} ({seconds(fleet.corrected_s)})"),
    ]
    if fleet.left_out:
        pairs.append(("Left out", ", ".join(f"{tag} ({why})" for tag, why in fleet.left_out.items())))
    rows = [Row(), Row([Piece("Order of events", "bold")]), *facts(pairs, width, indent=2)]
    return [*rows, *_bars(fleet, width, signs)]


def _bars(fleet: Fleet, width: int, signs: Signs) -> list[Row]:
    """One bar a clock: when an event truly happened that it stamps 0."""
    columns = width - _TAG_COLUMNS - _WINDOW_COLUMNS - 6
    if columns < _LEAST_BAR or len(fleet.members) > _MOST_BARS:
        return []
    reach_s = scale_of(fleet)
    head = f"{' ' * (_TAG_COLUMNS + 5)}{scale(reach_s, columns)}"
    rows = [Row(), Row([Piece(head, "dim")])]
    for member in fleet.members:
        window = about_middle(fleet, member)
        text = window_text(window)
        lead = Piece(f"    {fit(member.tag, _TAG_COLUMNS, signs.ellipsis)} ")
        blanks = " " * max(_WINDOW_COLUMNS - width_of(text), 0)
        marks = bar(
            window, reach_s, columns, signs, Verdict.REVIEW if _apart(window, reach_s) else Verdict.PASS
        )
        rows.append(Row([lead, *marks, Piece(f"{blanks}{text}")]))
    words = "An event that a clock stamps 0 happened within its bar; bars that do not meet tell the order."
    return [*rows, *paragraph(words, width, style="dim", indent=4)]


def _apart(window: Interval, reach_s: float) -> bool:
    return window.low > reach_s or window.high < -reach_s


def scale_of(fleet: Fleet) -> float:
    """Half the length of the scale in seconds: what most clocks need; one far off has an arrow."""
    sizes = sorted(
        max(abs(window.low), abs(window.high))
        for window in (about_middle(fleet, member) for member in fleet.members)
    )
    usual = sizes[len(sizes) // 2]
    reach_s = max(size for size in sizes if size <= 4 * usual) if usual else 1.0
    digits = float(10 ** (len(str(int(reach_s * 1000))) - 1)) / 1000  # one digit that counts, rounded up
    return -(-reach_s // digits) * digits


def about_middle(fleet: Fleet, member: Member) -> Interval:
    """A clock's window on the scale whose 0 is the middle of most clocks."""
    middles = sorted(one.window.middle for one in fleet.members)
    zero = middles[len(middles) // 2]
    return Interval(member.window.low - zero, member.window.high - zero)


def window_text(window: Interval) -> str:
    """The ends of a window."""
    return f"{window.low:+.3f} to {window.high:+.3f} s"


def seconds(value: float) -> str:
    """A length of time with the digits that matter here."""
    return f"{value * 1000:.0f} ms" if value < 1 else f"{value:.3f} s" if value < 10 else f"{value:.1f} s"


def order_document(fleet: Fleet) -> dict[str, Any]:
    """The object ``order`` of ``clock --json``: worst pair, medians, and every pair's need, seconds."""
    worst = fleet.worst
    return {
        "worst": None if worst is None else _pair(worst.first, worst.second, worst.raw_s, worst.corrected_s),
        "median_s": round(fleet.median_s, 6) if worst else None,
        "corrected_median_s": round(fleet.corrected_s, 6) if worst else None,
        "clocks": [
            {
                "tag": member.tag,
                "low_s": round(member.window.low, 6),
                "high_s": round(member.window.high, 6),
                "step_s": member.step_s,
            }
            for member in fleet.members
        ],
        "pairs": [_pair(*pair) for pair in fleet.pairs],
        "left_out": dict(fleet.left_out),
    }


def _pair(first: str, second: str, raw_s: float, corrected_s: float) -> dict[str, Any]:
    return {
        "first": first,
        "second": second,
        "needs_s": round(raw_s, 6),
        "corrected_s": round(corrected_s, 6),
    }
