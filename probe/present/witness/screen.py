"""Screen: a view drawn as rows for a terminal of any size, and told in lines where there is none.

Top to bottom: where we are, the tag in big type, the stage in big type beside it, what to do, expected beside
seen, what must be seen at once, what can be pressed. On a small terminal the big type goes first, then the
explanations; what is dangerous, what is seen and the keys stay.
"""

from __future__ import annotations

from collections.abc import Sequence

from probe.model.finding import Verdict
from probe.present.page import paragraph
from probe.present.row import Piece, Row, between, cut, width_of
from probe.present.signs import Signs
from probe.present.witness.big_type import big, width_of_big
from probe.present.witness.view import Line, Stage, View

_INK = {
    Stage.CAUTION: "bold yellow",
    Stage.GO: "bold green",
    Stage.SEEN: "bold green",
    Stage.CONFIRM: "bold cyan",
    Stage.TYPE: "bold cyan",
    Stage.PAUSED: "bold yellow",
}
_OF_VERDICT = {
    Verdict.PASS: "bold green",
    Verdict.FAIL: "bold red",
    Verdict.REVIEW: "bold yellow",
    Verdict.NOT_TESTED: "bold blue",
}


def draw(
    view: View, _elapsed_s: float, size: tuple[int, int], signs: Signs, *, stopping: bool = False
) -> list[Row]:
    """The screen: at most ``size[1]`` rows, none wider than ``size[0]`` columns."""
    del stopping
    width, height = size
    head = [_head(view, width, signs)]
    foot = _keys(view, width, signs)
    must = [*_alarms(view, width), *_typed(view, width)]
    room = height - len(head) - len(foot) - len(must)
    body = _body(view, width, max(room, 0), signs)
    filler = [Row()] * max(room - len(body), 0)
    rows = [*head, *body[: max(room, 0)], *must, *filler, *foot]
    return rows[:height] if len(rows) <= height else [*rows[: max(height - len(foot), 0)], *foot][:height]


def lines_of(view: View, width: int = 80) -> list[str]:
    """The view in plain lines, for a screen that cannot be redrawn."""
    found = [f"[{view.stage.value}] {view.place} {view.tag} {view.title}".rstrip()]
    found += [text for _, text in view.texts]
    found += [_plain_line(line) for line in view.lines]
    found += [f"ATTENTION: {text}" for text in view.alarms]
    if view.prompt:
        found.append(view.prompt)
    found.append("Keys: " + ", ".join(f"{key} {meaning}" for key, meaning in view.keys))
    return [line for line in found if line][: 10 * width]


def _plain_line(line: Line) -> str:
    word = "waiting" if line.verdict is None else line.verdict.value
    seen = " ".join(filter(None, (line.observed, line.timing and f"({line.timing})")))
    return f"  {word:<10} {line.title}: expected {line.expected}; seen: {seen or 'nothing yet'}"


# -- parts --------------------------------------------------------------------------------------------------


def _head(view: View, width: int, signs: Signs) -> Row:
    right = view.place
    name = cut(f"{view.lineup}  {view.procedure}", max(width - width_of(right) - 2, 0), signs.ellipsis)
    return between([Piece(name, "bold")], [Piece(cut(right, width, signs.ellipsis))], width)


def _body(view: View, width: int, room: int, signs: Signs) -> list[Row]:
    """Big type, title, texts and what is expected, in as many rows as there are."""
    title = [Row([Piece(cut(view.title, width, signs.ellipsis), "bold")])] if view.title else []
    texts = [row for style, text in view.texts for row in (*paragraph(text, width, style=style), Row())]
    table = [row for line in view.lines for row in _line(line, width, signs)]
    large = _large(view, width, signs)
    small = _small(view, width, signs)
    for shape in ((large, texts, table), (small, texts, table), (small, _tight(texts), table)):
        rows = [*shape[0], *title, Row(), *shape[1], *shape[2]]
        if len(rows) <= room:
            return rows
    left = max(room - len(small) - len(title) - len(table), 0)
    kept = _tight(texts)
    if len(kept) > left:
        kept = [*kept[: max(left - 1, 0)], Row([Piece(signs.ellipsis, "dim")])][:left]
    return [*small, *title, *kept, *table][:room]


def _tight(rows: Sequence[Row]) -> list[Row]:
    return [row for row in rows if row]


def _word_of(view: View) -> tuple[str, str]:
    word = view.word or view.stage.value
    style = _OF_VERDICT[view.verdict] if view.verdict is not None else _INK.get(view.stage, "bold")
    return word, style


def _large(view: View, width: int, signs: Signs) -> list[Row]:
    """Tag and word in big type, side by side if there is room, else one below the other."""
    word, style = _word_of(view)
    ink = signs.bar_full if not signs.bar_full.isascii() else "#"
    tag_width, word_width = width_of_big(view.tag), width_of_big(word)
    if view.tag and tag_width and word_width and tag_width + 4 + word_width <= width:
        gap = " " * (width - tag_width - word_width)
        left, right = big(view.tag, ink, "bold", width), big(word, ink, style, width)
        return [Row([*a, Piece(gap), *b]) for a, b in zip(left, right, strict=True)] + [Row()]
    if view.tag and tag_width and tag_width <= width:
        return [*big(view.tag, ink, "bold", width), Row([Piece(word.upper(), style)])]
    if word_width and word_width <= width and not view.tag:
        return [*big(word, ink, style, width), Row()]
    return _small(view, width, signs)


def _small(view: View, width: int, signs: Signs) -> list[Row]:
    word, style = _word_of(view)
    tag = f"{view.tag}  " if view.tag else ""
    text = cut(f"{tag}{word.upper()}", width, signs.ellipsis)
    split = min(len(tag), len(text))
    return [Row([Piece(text[:split], "bold reverse"), Piece(text[split:], style)])]


def _line(line: Line, width: int, signs: Signs) -> list[Row]:
    """Expected beside seen: two rows, cut to the width."""
    lamp = signs.waiting if line.verdict is None else signs.verdicts[line.verdict]
    title = cut(f" {line.title}: {line.expected}", width - 4, signs.ellipsis)
    seen = ", ".join(filter(None, (line.observed, line.timing))) or signs.dash
    style = "" if line.verdict is None else lamp.ink
    return [
        Row([Piece(f" {lamp.sign} ", lamp.glow), Piece(title)]),
        Row([Piece("    "), Piece(cut(f"seen: {seen}", width - 4, signs.ellipsis), style)]),
    ]


def _alarms(view: View, width: int) -> list[Row]:
    lead = [Piece(" ATTENTION ", "bold white on red"), Piece(" ")]
    return [row for text in view.alarms[:4] for row in paragraph(text, width, lead=lead)]


def _typed(view: View, width: int) -> list[Row]:
    if view.typed is None:
        return [Row([Piece(row, "bold")]) for row in ([view.prompt] if view.prompt else [])]
    prompt = paragraph(view.prompt, width, style="bold")
    shown = view.typed[-(width - 4) :] if width > 4 else ""
    return [*prompt, Row([Piece("> "), Piece(shown, "reverse"), Piece("_", "blink")])]


def _keys(view: View, width: int, signs: Signs) -> list[Row]:
    """What can be pressed, in one or two rows; and why the last key did nothing."""
    rows: list[list[Piece]] = [[]]
    left = width
    for key, meaning in view.keys:
        text = f" {meaning}   "
        needed = width_of(key) + 2 + width_of(text)
        if needed > left and rows[-1]:
            rows.append([])
            left = width
        rows[-1] += [
            Piece(f" {key} ", "reverse bold"),
            Piece(cut(text, max(left - width_of(key) - 2, 0), " ")),
        ]
        left -= needed
    hint = [Row([Piece(cut(view.hint, width, signs.ellipsis), "bold yellow")])] if view.hint else []
    return [*hint, *(Row(pieces) for pieces in rows[:3])]
