"""Plots: reply times of a device over the run, and clock intervals against their tolerance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from probe.judge.limit import Interval
from probe.model.evidence import Outcome
from probe.model.finding import Verdict
from probe.present.turnover.blocks import Drawing, Shape
from probe.present.turnover.dossier import Reply
from probe.present.turnover.palette import ACCENT, FAINT, INK, LAMPS, QUIET, RULE
from probe.present.turnover.texts import Texts

#: Dots in one plot; of more replies the fastest and the slowest in each stretch of time are drawn.
MOST_DOTS = 120
#: Room that a label on the axis of all clocks needs, millimetres (``+100 000 s`` at its size).
LABEL_ROOM = 13.0
SMALL = 6.0
_ANSWERS = (Outcome.DATA, Outcome.EXCEPTION)


def reply_plot(replies: Sequence[Reply], limit_ms: float, t: Texts, *, width: float) -> Drawing | None:
    """Reply time (decades) against time in the run; None if nothing was asked.

    limit_ms: slowest usual reply by the map.
    """
    if not replies:
        return None
    answered = [one.reply_ms for one in replies if one.outcome in _ANSWERS]
    frame = _Frame(replies, answered or [1.0], limit_ms, width)
    lost = len(replies) - len(answered)
    return Drawing(
        width=width,
        height=frame.height,
        shapes=(*frame.axes(t), *frame.marks(thinned(replies))),
        alternative=t(
            "plot.reply_alternative",
            replies=len(answered),
            least=brief(min(answered)) if answered else "-",
            most=brief(max(answered)) if answered else "-",
            lost=lost,
            limit=brief(limit_ms),
        ),
        caption=t("plot.reply_caption", replies=len(answered), lost=lost),
    )


class _Frame:
    """The axes of one reply plot: time from left to right, decades of milliseconds from below."""

    height = 27.0
    left, right, top, bottom = 11.0, 2.0, 4.0, 5.5

    def __init__(self, replies: Sequence[Reply], answered: Sequence[float], limit: float, width: float):
        self.width, self.limit = width, limit
        self.first = min(one.at_s for one in replies)
        self.span = max(max(one.at_s for one in replies) - self.first, 0.001)
        self.low = math.floor(math.log10(max(min(answered), 0.01)))
        self.high = max(math.ceil(math.log10(max(*answered, limit, 0.1))), self.low + 1)

    def x(self, at_s: float) -> float:
        """Millimetres from the left."""
        room = self.width - self.left - self.right - 2
        return self.left + 1 + (at_s - self.first) / self.span * room

    def y(self, ms: float) -> float:
        """Millimetres from above."""
        share = (math.log10(max(ms, 10.0**self.low)) - self.low) / (self.high - self.low)
        return self.height - self.bottom - share * (self.height - self.top - self.bottom)

    def axes(self, t: Texts) -> Iterable[Shape]:
        """Ground, decades, limit and their labels."""
        right, floor = self.width - self.right, self.height - self.bottom
        yield Shape("box", self.left, self.top, right - self.left, floor - self.top, RULE, "#ffffff", 0.2)
        for decade in range(self.low, self.high + 1):
            y = self.y(10.0**decade)
            yield Shape("line", self.left, y, right, y, RULE, weight=0.15)
            yield Shape("text", self.left - 1, y, SMALL, 0, QUIET, "right", 0, brief(10.0**decade))
        limit = self.y(self.limit)
        yield Shape("line", self.left, limit, right, limit, LAMPS[Verdict.FAIL][1], weight=0.3)
        yield Shape(
            "text", right - 0.8, limit + 1.5, SMALL, 0, LAMPS[Verdict.FAIL][1], "right", 0,
            t("plot.limit", limit=brief(self.limit)),
        )  # fmt: skip
        yield Shape("text", 0.3, 1.6, SMALL, 0, QUIET, "left", 0, t("plot.reply_axis"))
        yield Shape("text", self.left, floor + 2.2, SMALL, 0, QUIET, "left", 0, f"{self.first:.1f} s")
        end = self.first + self.span
        yield Shape("text", right, floor + 2.2, SMALL, 0, QUIET, "right", 0, f"{end:.1f} s")
        middle = (self.left + right) / 2
        yield Shape("text", middle, floor + 2.2, SMALL, 0, QUIET, "middle", 0, t("plot.time_axis"))

    def marks(self, replies: Iterable[Reply]) -> Iterable[Shape]:
        """A dot an answer, a hollow one for an exception, a cross for what came to nothing."""
        red = LAMPS[Verdict.FAIL][1]
        for one in replies:
            x, y = self.x(one.at_s), self.y(one.reply_ms)
            if one.outcome is Outcome.DATA:
                yield Shape("dot", x, y, 0.55, 0, ACCENT, ACCENT, 0.1)
            elif one.outcome is Outcome.EXCEPTION:
                yield Shape("dot", x, y, 0.7, 0, ACCENT, "#ffffff", 0.3)
            else:
                y = max(y, self.top + 1)
                yield Shape("line", x - 0.8, y - 0.8, x + 0.8, y + 0.8, red, weight=0.35)
                yield Shape("line", x - 0.8, y + 0.8, x + 0.8, y - 0.8, red, weight=0.35)


def thinned(replies: Sequence[Reply]) -> list[Reply]:
    """At most about MOST_DOTS of them: in each stretch the fastest, the slowest and one that was lost."""
    if len(replies) <= MOST_DOTS:
        return list(replies)
    ordered = sorted(replies, key=lambda one: one.at_s)
    size = -(-len(ordered) * 3 // MOST_DOTS)
    kept: list[Reply] = []
    for start in range(0, len(ordered), size):
        part = ordered[start : start + size]
        good = [one for one in part if one.outcome in _ANSWERS]
        lost = [one for one in part if one.outcome not in _ANSWERS]
        chosen = {id(one): one for one in (*lost[:1],)}
        if good:
            for one in (min(good, key=lambda g: g.reply_ms), max(good, key=lambda g: g.reply_ms)):
                chosen[id(one)] = one
        kept += chosen.values()
    return kept


def clock_plot(offset: Interval, tolerance_s: float, verdict: Verdict, t: Texts, *, width: float) -> Drawing:
    """One clock's interval of (device - reference) over the band of its tolerance."""
    reach = max(tolerance_s * 1.6, abs(offset.low) * 1.12, abs(offset.high) * 1.12)
    left, room, middle = 4.0, width - 8.0, 6.0

    def x(seconds: float) -> float:
        return left + (seconds / reach + 1) / 2 * room

    filling = LAMPS[verdict][1]
    band = max(x(tolerance_s) - x(-tolerance_s), 0.4)
    bar = max(x(offset.high) - x(offset.low), 0.9)
    start = (x(offset.low) + x(offset.high) - bar) / 2
    shapes = [
        Shape("line", left, middle, left + room, middle, RULE, weight=0.25),
        Shape("box", x(0) - band / 2, middle - 2.6, band, 5.2, "#b9d4c3", "#e3efe7", 0.2),
        Shape("line", x(0), middle - 3.4, x(0), middle + 3.4, QUIET, weight=0.2),
        Shape("box", start, middle - 1.3, bar, 2.6, filling, filling, 0.2),
        Shape("text", x(0), middle + 5.4, SMALL, 0, QUIET, "middle", 0, "0"),
        Shape("text", left, middle + 5.4, SMALL, 0, QUIET, "left", 0, f"−{seconds(reach)}"),
        Shape("text", left + room, middle + 5.4, SMALL, 0, QUIET, "right", 0, f"+{seconds(reach)}"),
    ]
    if band > 30:
        for side, sign in ((-tolerance_s, "−"), (tolerance_s, "+")):
            text = f"{sign}{seconds(tolerance_s)}"
            shapes.append(Shape("text", x(side), middle + 5.4, SMALL, 0, "#2f7d4f", "middle", 0, text))
    return Drawing(
        width=width,
        height=13.0,
        shapes=tuple(shapes),
        alternative=t("plot.clock_alternative", offset=bounds(offset), tolerance=seconds(tolerance_s)),
        caption=t("plot.clock_caption", offset=bounds(offset), tolerance=seconds(tolerance_s)),
    )


def clocks_plot(
    rows: Sequence[tuple[str, Interval, float, Verdict]], t: Texts, *, width: float
) -> Drawing | None:
    """All clocks below each other on one axis that is wide near zero: sign times decades of milliseconds.

    rows: tag, interval of (device - reference), tolerance, verdict. None for no rows.
    """
    if not rows:
        return None
    axis = _ClockAxis(rows, width)
    shapes = list(axis.ground())
    for number, (tag, offset, tolerance_s, verdict) in enumerate(rows):
        y = axis.top + axis.step * (number + 0.5)
        shapes += axis.row(tag, offset, tolerance_s, verdict, y)
    return Drawing(
        width=width,
        height=axis.height,
        shapes=tuple(shapes),
        alternative=t("plot.clocks_alternative", clocks=len(rows)),
        caption=t("plot.clocks_caption"),
    )


class _ClockAxis:
    """Offsets on a scale that is straight within 1 ms and in decades beyond it, on both sides of zero."""

    step, top, left, right = 4.6, 1.0, 24.0, 6.0

    def __init__(self, rows: Sequence[tuple[str, Interval, float, Verdict]], width: float) -> None:
        self.width = width
        self.floor = self.top + self.step * len(rows)
        self.height = self.floor + 5
        widest = max(max(abs(o.low), abs(o.high), tolerance) for _, o, tolerance, _ in rows)
        self.decades = max(math.ceil(_bent(widest)), 1)

    def x(self, offset_s: float) -> float:
        """Millimetres from the left."""
        room = self.width - self.left - self.right
        share = math.copysign(_bent(abs(offset_s)), offset_s) / self.decades
        return self.left + (share + 1) / 2 * room

    def ground(self) -> Iterable[Shape]:
        """Zero, decades and labels; of crowded ones every second or third, the outermost always."""
        half = (self.width - self.left - self.right) / 2
        every = max(1, math.ceil(LABEL_ROOM / (half / self.decades)))
        for decade in range(1, self.decades + 1):
            size = 10.0 ** (decade - 4)
            for side in (-size, size):
                x = self.x(side)
                yield Shape("line", x, self.top, x, self.floor, FAINT, weight=0.2)
                if decade >= 2 and (self.decades - decade) % every == 0:
                    sign = "−" if side < 0 else "+"
                    label = f"{sign}{seconds(size)}"
                    yield Shape("text", x, self.floor + 2.4, SMALL, 0, QUIET, "middle", 0, label)
        zero = self.x(0)
        yield Shape("line", zero, self.top, zero, self.floor + 0.8, QUIET, weight=0.25)
        yield Shape("text", zero, self.floor + 2.4, SMALL, 0, QUIET, "middle", 0, "0")

    def row(
        self, tag: str, offset: Interval, tolerance_s: float, verdict: Verdict, y: float
    ) -> Iterable[Shape]:
        """One clock: its tolerance as a band, its interval as a bar, its sign beside its tag."""
        sign, filling, _ = LAMPS[verdict]
        left, right = self.x(-tolerance_s), self.x(tolerance_s)
        yield Shape("box", left, y - 1.7, right - left, 3.4, "#e3efe7", "#e3efe7", 0.1)
        low, high = self.x(offset.low), self.x(offset.high)
        wide = max(high - low, 0.9)
        yield Shape("box", (low + high - wide) / 2, y - 0.9, wide, 1.8, filling, filling, 0.1)
        yield Shape(
            "text", 1.6, y, 7.0, 0, filling if verdict is not Verdict.REVIEW else INK, "middle", 1, sign
        )
        yield Shape("text", 4.2, y, 7.0, 0, INK, "left", 0, tag[:16])


def _bent(size_s: float) -> float:
    """0 for 0, 1 at 1 ms, one more each decade."""
    ms = size_s * 1000
    return ms if ms <= 1 else 1 + math.log10(ms)


def bounds(offset: Interval) -> str:
    """The interval with the digits that its width can carry: ``−0.189 to −0.168 s``."""
    width = max(offset.high - offset.low, 1e-6)
    digits = min(max(1 - math.floor(math.log10(width)), 0), 6)
    return f"{_signed(offset.low, digits)} to {_signed(offset.high, digits)} s"


def _signed(value: float, digits: int) -> str:
    text = f"{value:+.{digits}f}"
    return text.replace("-", "−")


def seconds(value: float) -> str:
    """A length of time on an axis: ``2 s``, ``50 ms``."""
    if value < 1:
        return f"{value * 1000:.3g} ms"
    return f"{value:,.0f} s".replace(",", "\u202f") if value >= 1000 else f"{value:.3g} s"


def brief(ms: float) -> str:
    """Milliseconds on an axis: ``0.1 ms``, ``12 ms``, ``1 s``."""
    return f"{ms / 1000:.3g} s" if ms >= 1000 else f"{ms:.3g} ms"
