"""Picture: the whole live screen as rows, made from what is known of the run and the size of the terminal.

Top to bottom: what is audited and how long it takes, a bar, the elevation, the counts, what is worst so
far, and how to stop. Rows are dropped from the least important upward where the terminal is small.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from probe.collect.events import Phase, RunPlan
from probe.model.finding import WORST_FIRST, Verdict
from probe.present import elevation
from probe.present.elevation import Cell
from probe.present.page import paragraph
from probe.present.phrase import finding_phrase, reply_phrase, time_phrase
from probe.present.progress import Progress, Trouble
from probe.present.row import Piece, Row, between, cut, width_of
from probe.present.signs import PHASE_WORDS, Lamp, Signs

#: Rows that the list of troubles gets at least, its heading not counted, where the terminal allows.
TROUBLE_ROWS = 4


def picture(
    progress: Progress, elapsed_s: float, size: tuple[int, int], signs: Signs, *, stopping: bool
) -> list[Row]:
    """The screen: at most ``size[1]`` rows, none wider than ``size[0]`` columns."""
    width, height = size
    plan = progress.plan
    if plan is None:
        return [Row([Piece(cut("Getting ready", width, signs.ellipsis))])][:height]
    if height < 10 or width < 36:
        return _small(progress, plan, elapsed_s, size, signs)
    head = [_title(progress, plan, elapsed_s, width, signs), _bar(progress, width, signs)]
    troubles = progress.troubles()
    foot = [_stop_line(width, signs, stopping=stopping)]
    spare = height - len(head) - len(foot) - 1  # 1: the counts
    for_troubles = min(TROUBLE_ROWS + 1, max(spare - 6, 0))
    cells = partial(_cell, progress, signs=signs)
    lamps = partial(lamp_of, progress, signs=signs)
    gear = elevation.draw(progress.sections, cells, lamps, (width, spare - for_troubles), signs)
    listed = _trouble_rows(troubles, width, spare - len(gear), signs)
    filler = [Row()] * (spare - len(gear) - len(listed))
    return [*head, *gear, _counts_row(progress, width, signs), *listed, *filler, *foot]


def lamp_of(progress: Progress, tag: str, *, signs: Signs) -> Lamp:
    """The lamp that the device shows now."""
    shown = progress.shown[tag]
    if isinstance(shown, Verdict):
        return signs.verdicts[shown]
    return signs.waiting if shown is Phase.WAITING else signs.working


def _cell(progress: Progress, tag: str, *, signs: Signs) -> Cell:
    lamp = lamp_of(progress, tag, signs=signs)
    phase = progress.phases[tag]
    reply = progress.reply_ms(tag)
    silent = signs.dash if tag in progress.latest or phase is Phase.DONE else ""
    answer = reply_phrase(reply) if reply is not None else silent
    doing = lamp.word if phase is Phase.DONE else PHASE_WORDS[phase]
    bad = [f for f in progress.findings.get(tag, ()) if f.verdict in (Verdict.FAIL, Verdict.REVIEW)]
    if bad:
        doing = max(bad, key=lambda f: (f.verdict is Verdict.FAIL, f.danger)).title
    return Cell(tag, lamp, answer, doing)


def _title(progress: Progress, plan: RunPlan, elapsed_s: float, width: int, signs: Signs) -> Row:
    """What is audited, and how much time has gone and is left."""
    left = progress.left_s(elapsed_s)
    ending = f"about {time_phrase(left)} left" if left is not None else "longer than planned"
    right = f"{time_phrase(elapsed_s)}, {ending}"
    room = width - width_of(right) - 2
    name = cut(plan.lineup.map.lineup, room, signs.ellipsis)
    site = cut(f"  {plan.lineup.map.site}", room - width_of(name), signs.ellipsis)
    return between([Piece(name, "bold"), Piece(site)], [Piece(right)], width)


def _bar(progress: Progress, width: int, signs: Signs) -> Row:
    total = len(progress.phases)
    text = f" {progress.done} of {total} device{'s' if total != 1 else ''} done"
    room = width - width_of(text)
    full = int(progress.fraction() * room)
    return Row([Piece(signs.bar_full * full), Piece(signs.bar_empty * (room - full), "dim"), Piece(text)])


def _counts_row(progress: Progress, width: int, signs: Signs) -> Row:
    """How many devices show which lamp; also the legend of the lamps."""
    counts = progress.counts
    lamps = [(counts[verdict], signs.verdicts[verdict]) for verdict in WORST_FIRST]
    lamps += [(counts[Phase.POLLING], signs.working), (counts[Phase.WAITING], signs.waiting)]
    pieces: list[Piece] = []
    left = width
    for count, lamp in lamps:
        text = f" {count} {lamp.word}   "
        if not count or 3 + width_of(text) > left:
            continue
        pieces += [Piece(f" {lamp.sign} ", lamp.glow), Piece(text, lamp.ink)]
        left -= 3 + width_of(text)
    return Row(pieces)


def _trouble_rows(troubles: Sequence[Trouble], width: int, height: int, signs: Signs) -> list[Row]:
    """What is worst so far under its heading: whole where there is room, otherwise a line each.

    The last row says how much is not shown.
    """
    if height < 2:
        return []
    if not troubles:
        return [Row(), Row([Piece("Nothing wrong so far.", "dim")])][:height]
    room = height - 1
    heading = Row([Piece("Worst so far", "bold")])
    shown = troubles if len(troubles) <= room else troubles[: room - 1]
    names = [_who(one.tags, max(width // 3, 12), signs.ellipsis) for one in shown]
    column = max((width_of(name) for name in names), default=0)
    named = [(one, name + " " * (column - width_of(name))) for one, name in zip(shown, names, strict=True)]
    if len(shown) == len(troubles):
        whole = [row for one, who in named for row in _trouble_row(one, who, width, signs)]
        if len(whole) <= room:
            return [heading, *whole]
    rows = [_trouble_row(one, who, width, signs, lines=1)[0] for one, who in named]
    if len(shown) < len(troubles):
        rows.append(Row([Piece(f"     and {len(troubles) - len(shown)} more", "dim")]))
    return [heading, *rows]


def _trouble_row(trouble: Trouble, who: str, width: int, signs: Signs, *, lines: int = 0) -> list[Row]:
    """One trouble in as many rows as it needs, or cut to one. who: its tags. lines: 0 for as many."""
    lamp = signs.verdicts[trouble.verdict]
    text = finding_phrase(trouble.finding) if len(trouble.tags) == 1 else trouble.finding.title
    more = f" (and {trouble.more} more)" if trouble.more else ""
    if lines:
        text = cut(text, width - 6 - width_of(who) - width_of(more), signs.ellipsis)
    text += more
    lead = [Piece(f" {lamp.sign} ", lamp.glow), Piece(f" {who}  ", "bold")]
    return paragraph(text, width, lead=lead)


def _who(tags: Sequence[str], width: int, ellipsis: str) -> str:
    """As many tags as fit, and how many more there are."""
    for shown in range(len(tags), 0, -1):
        more = f" +{len(tags) - shown}" if shown < len(tags) else ""
        text = ", ".join(tags[:shown]) + more
        if width_of(text) <= width or shown == 1:
            return cut(text, width, ellipsis)
    return ""


def _stop_line(width: int, signs: Signs, *, stopping: bool) -> Row:
    if stopping:
        text = "Stopping: open requests are being finished. Ctrl-C again cuts the run off."
        return Row([Piece(cut(text, width, signs.ellipsis), "bold")])
    text = "Reading only. Ctrl-C stops and keeps what was recorded."
    return Row([Piece(cut(text, width, signs.ellipsis), "dim")])


def _small(
    progress: Progress, plan: RunPlan, elapsed_s: float, size: tuple[int, int], signs: Signs
) -> list[Row]:
    """The picture of a terminal too small for a drawing: name, progress, counts, worst."""
    width, height = size
    counts = progress.counts
    lines = [
        Piece(plan.lineup.map.lineup, "bold"),
        Piece(f"{progress.done} of {len(progress.phases)} done, {time_phrase(elapsed_s)}"),
    ]
    for verdict in WORST_FIRST:
        if counts[verdict]:
            lamp = signs.verdicts[verdict]
            lines.append(Piece(f"{lamp.sign} {counts[verdict]} {lamp.word}", lamp.ink))
    lines += [Piece(finding_phrase(trouble.finding)) for trouble in progress.troubles()]
    return [Row([Piece(cut(line.text, width, signs.ellipsis), line.style)]) for line in lines[:height]]
