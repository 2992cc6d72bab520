"""Clock picture: the live screen of a clock run, one row a clock, its interval closing beside the tolerance.

    MSB-1  Tarn Hollow Water Works                          3 s, about 9 s left
    Against laptop, tolerance 2 s
                             -2 s           0           +2 s
     ✓  52-F1   ······│▒▒▒▒▒▒▒▒██▒▒▒▒▒▒▒▒│······  +0.012 ± 0.009 s   4
     »  52-F2   ······│▒▒▒▒▒█████▒▒▒▒▒▒▒▒│······  +0.15 ± 0.42 s     2

Where the terminal is too low, what fails comes first, then what is still read; the rest is counted. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from probe.collect.events import Phase
from probe.judge.clock_state import ClockState
from probe.model.device_map import DeviceMap
from probe.model.finding import WORST_FIRST, Verdict
from probe.present.clock_bar import bar, offset_text, scale
from probe.present.phrase import time_phrase
from probe.present.progress import Progress
from probe.present.row import Piece, Row, between, cut, fit, width_of
from probe.present.signs import PHASE_WORDS, Lamp, Signs

#: Columns of the offset and of the count of readings; the bar takes what is left.
OFFSET_COLUMNS = 20
COUNT_COLUMNS = 4
LEAST_BAR = 12


class ClockProgress(Progress):
    """Progress of a run with the latest state of each clock."""

    def __init__(self) -> None:
        super().__init__()
        self.states: dict[str, ClockState] = {}

    def clock(self, state: ClockState) -> None:
        """Keep how well a clock is known now."""
        self.states[state.tag] = state


def clock_picture(
    progress: ClockProgress, elapsed_s: float, size: tuple[int, int], signs: Signs, *, stopping: bool
) -> list[Row]:
    """The screen: at most ``size[1]`` rows, none wider than ``size[0]`` columns."""
    width, height = size
    plan = progress.plan
    if plan is None:
        return [Row([Piece(cut("Getting ready", width, signs.ellipsis))])][:height]
    head = [_title(progress, elapsed_s, width, signs), _against(plan.lineup.map, width, signs)]
    tags = tuple(progress.phases)
    columns = Columns(tags, width, signs)
    head.append(columns.head(plan.lineup.map.clock.tolerance_s))
    foot = [_stop_line(width, signs, stopping=stopping)]
    room = max(height - len(head) - len(foot), 0)
    rows = [columns.row(tag, _lamp(progress, tag, signs), *_shown(progress, tag)) for tag in tags]
    if len(rows) > room:
        order = sorted(range(len(tags)), key=lambda i: (_urgency(progress, tags[i]), i))
        kept = sorted(order[: max(room - 1, 0)])
        more = Row([Piece(f"     and {len(rows) - len(kept)} more", "dim")])
        rows = [*(rows[i] for i in kept), more][:room]
    return [*head, *rows, *[Row()] * (room - len(rows)), *foot][:height]


class Columns:
    """How wide each column of a table of clocks is."""

    def __init__(self, tags: Sequence[str], width: int, signs: Signs) -> None:
        self._signs = signs
        self._tag = min(max((width_of(tag) for tag in tags), default=3), max(width // 5, 8))
        self._bar = width - self._tag - OFFSET_COLUMNS - COUNT_COLUMNS - 8
        if self._bar < LEAST_BAR:
            self._bar = 0
        self._width = width

    def head(self, tolerance_s: float) -> Row:
        """Names of the columns, and the scale of the bars."""
        names = " " * (self._tag + 5)
        middle = scale(tolerance_s, self._bar) + " " if self._bar else ""
        return self._within([Piece(f"{names}{middle}{'offset':>{OFFSET_COLUMNS}}  read", "dim")])

    def row(self, tag: str, lamp: Lamp, state: ClockState | None, verdict: Verdict, words: str = "") -> Row:
        """One clock. words: stand for the offset where there is none."""
        signs, tolerance_s = self._signs, state.tolerance_s if state is not None else 1.0
        offset = state.offset_s if state is not None else None
        text = cut(offset_text(state, signs) or words, OFFSET_COLUMNS, signs.ellipsis)
        readings = str(state.readings + state.impossible) if state is not None else ""
        pieces = [
            Piece(f" {lamp.sign} ", lamp.glow),
            Piece(f" {fit(tag, self._tag, signs.ellipsis)} ", "bold"),
        ]
        if self._bar:
            pieces += [*bar(offset, tolerance_s, self._bar, signs, verdict), Piece(" ")]
        pieces.append(Piece(f"{' ' * (OFFSET_COLUMNS - width_of(text))}{text}", lamp.ink))
        return self._within([*pieces, Piece(f"{readings:>{COUNT_COLUMNS + 1}}", "dim")])

    def _within(self, pieces: Sequence[Piece]) -> Row:
        """The row without the pieces that do not fit."""
        kept, left = [], self._width
        for piece in pieces:
            text = piece.text if width_of(piece.text) <= left else cut(piece.text, left, self._signs.ellipsis)
            kept.append(Piece(text, piece.style))
            left -= width_of(text)
        return Row(kept)


def _lamp(progress: Progress, tag: str, signs: Signs) -> Lamp:
    shown = progress.shown[tag]
    if isinstance(shown, Verdict):
        return signs.verdicts[shown]
    return signs.waiting if shown is Phase.WAITING else signs.working


def _shown(progress: ClockProgress, tag: str) -> tuple[ClockState | None, Verdict, str]:
    """State, verdict and the words that stand for an offset of a clock."""
    state, phase = progress.states.get(tag), progress.phases[tag]
    verdict = state.verdict if state is not None and state.is_certain else Verdict.NOT_TESTED
    return state, verdict, "no reading" if phase is Phase.DONE else PHASE_WORDS[phase]


def _urgency(progress: ClockProgress, tag: str) -> int:
    shown = progress.shown[tag]
    return (
        WORST_FIRST.index(shown) * 2
        if isinstance(shown, Verdict) and shown is not Verdict.PASS
        else (9 if shown is Verdict.PASS else 5)
    )


def _title(progress: ClockProgress, elapsed_s: float, width: int, signs: Signs) -> Row:
    """What is measured, and how much time has gone and is left."""
    plan = progress.plan
    assert plan is not None
    left = progress.left_s(elapsed_s)
    ending = f"about {time_phrase(left)} left" if left is not None else "longer than planned"
    right = f"{time_phrase(elapsed_s)}, {ending}"
    room = width - width_of(right) - 2
    name = cut(plan.lineup.map.lineup, room, signs.ellipsis)
    site = cut(f"  {plan.lineup.map.site}", room - width_of(name), signs.ellipsis)
    return between([Piece(name, "bold"), Piece(site)], [Piece(right)], width)


def _against(lineup_map: DeviceMap, width: int, signs: Signs) -> Row:
    clock = lineup_map.clock
    text = f"Clocks against {clock.reference_words}, tolerance {clock.tolerance_s:g} s, zone {clock.zone}"
    return Row([Piece(cut(text, width, signs.ellipsis))])


def _stop_line(width: int, signs: Signs, *, stopping: bool) -> Row:
    if stopping:
        text = "Stopping: open requests are being finished. Ctrl-C again cuts the run off."
        return Row([Piece(cut(text, width, signs.ellipsis), "bold")])
    text = "Reading only. Ctrl-C stops and keeps what was recorded."
    return Row([Piece(cut(text, width, signs.ellipsis), "dim")])


def table(
    states: Mapping[str, tuple[ClockState | None, Verdict]], tolerance_s: float, width: int, signs: Signs
) -> list[Row]:
    """All clocks as they stand at the end, one row each under its heading."""
    columns = Columns(tuple(states), width, signs)
    rows = [columns.head(tolerance_s)]
    for tag, (state, verdict) in states.items():
        rows.append(columns.row(tag, signs.verdicts[verdict], state, verdict, "not tested"))
    return rows
