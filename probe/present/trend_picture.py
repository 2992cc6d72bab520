"""A series over time: in a terminal with signs, and as SVG 1.1 written by hand. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from math import floor, log10
from typing import NamedTuple

from probe.history.trend import Point
from probe.model.finding import Verdict
from probe.present.svg_paper import caption, picture

#: Verdicts as heights, and their words at the axis.
LEVELS = {Verdict.PASS: 0.0, Verdict.REVIEW: 1.0, Verdict.NOT_TESTED: 2.0, Verdict.FAIL: 3.0}
_ROWS, _MARGIN = 14, 12
_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _FOOT = 900, 340, 110, 24, 50, 50


class Frame(NamedTuple):
    """Limits of a picture. ticks: height and text, from the lowest."""

    first_ns: int
    last_ns: int
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]


def frame_of(points: Sequence[Point]) -> Frame:
    """Limits that hold all points. points: at least one."""
    first, last = points[0].at_ns, max(points[-1].at_ns, points[0].at_ns + 1)
    if isinstance(points[0].value, Verdict):
        return Frame(first, last, -0.5, 3.5, tuple((h, v.value) for v, h in LEVELS.items()))
    values = [height(point) for point in points]
    low, high = min(values), max(values)
    if high - low < 1e-9 * max(abs(high), 1e-9):
        low, high = low - max(abs(low) * 0.05, 1e-3), high + max(abs(high) * 0.05, 1e-3)
    step = 10 ** floor(log10((high - low) / 2))
    step *= next(k for k in (1, 2, 5, 10) if (high - low) / (step * k) <= 5)
    first_tick = floor(low / step) * step
    ticks = [first_tick + step * n for n in range(int((high - first_tick) / step) + 2)]
    return Frame(first, last, ticks[0], ticks[-1], tuple((t, f"{round(t, 12):g}") for t in ticks))


def height(point: Point) -> float:
    """A point's place on the upward axis."""
    return LEVELS[point.value] if isinstance(point.value, Verdict) else point.value


def sketch(points: Sequence[Point], width: int, sign: str = "*") -> list[str]:
    """Lines of at most ``width`` columns: time across, the value upward."""
    frame = frame_of(points)
    columns = max(20, width - _MARGIN - 2)
    cells = [[" "] * columns for _ in range(_ROWS)]
    for point in points:
        x = round((columns - 1) * (point.at_ns - frame.first_ns) / (frame.last_ns - frame.first_ns))
        cells[_row(frame, height(point))][x] = sign
    labels: dict[int, str] = {}
    for value, text in frame.ticks:
        labels.setdefault(_row(frame, value), text)
    lines = [f"{labels.get(row, ''):>{_MARGIN}} |{''.join(line)}".rstrip() for row, line in enumerate(cells)]
    ends = _day(frame.first_ns).ljust(columns - 10) + _day(frame.last_ns)
    return [*lines, " " * (_MARGIN + 1) + "+" + "-" * columns, " " * (_MARGIN + 2) + ends]


def _row(frame: Frame, value: float) -> int:
    share = (value - frame.low) / (frame.high - frame.low)
    return min(_ROWS - 1, max(0, round((_ROWS - 1) * (1 - share))))


def _day(wall_ns: int) -> str:
    return datetime.fromtimestamp(wall_ns // 10**9, UTC).strftime("%Y-%m-%d")


def svg(points: Sequence[Point], title: str, unit: str) -> str:
    """The picture as SVG text; every point is a dot, so that gaps between runs are seen."""
    frame = frame_of(points)
    parts = [caption(_LEFT, 26, f"{title}{f', {unit}' if unit else ''}", size=16)]
    for value, text in frame.ticks:
        y = _y(frame, value)
        parts.append(
            f'<line x1="{_LEFT}" y1="{y:.1f}" x2="{_WIDTH - _RIGHT}" y2="{y:.1f}" stroke="#d8d8d8"/>'
        )
        parts.append(caption(_LEFT - 8, y + 4, text, size=12, anchor="end"))
    line = " ".join(f"{_x(frame, p.at_ns):.1f},{_y(frame, height(p)):.1f}" for p in points)
    parts.append(f'<polyline points="{line}" fill="none" stroke="#9dbad5" stroke-width="1.2"/>')
    parts += [
        f'<circle cx="{_x(frame, p.at_ns):.1f}" cy="{_y(frame, height(p)):.1f}" r="2.2" fill="#1a1a1a"/>'
        for p in points
    ]
    parts.append(caption(_LEFT, _HEIGHT - 16, _day(frame.first_ns), size=12))
    parts.append(caption(_WIDTH - _RIGHT, _HEIGHT - 16, _day(frame.last_ns), size=12, anchor="end"))
    return picture(_WIDTH, _HEIGHT, title, parts)


def _x(frame: Frame, at_ns: int) -> float:
    share = (at_ns - frame.first_ns) / (frame.last_ns - frame.first_ns)
    return _LEFT + (_WIDTH - _LEFT - _RIGHT) * share


def _y(frame: Frame, value: float) -> float:
    share = (value - frame.low) / (frame.high - frame.low)
    return _TOP + (_HEIGHT - _TOP - _FOOT) * (1 - share)
