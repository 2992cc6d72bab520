"""A capture as a picture: reply time over time above, load of the wire below; SVG 1.1 written by hand.

Shades and lines differ without colour, too: the band is least to 95 %, the line the mean, dots the most.
Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from math import ceil, floor, log10

from probe.judge.capture.check import CaptureView
from probe.model.capture import Moment
from probe.present.svg_paper import INK, caption, picture

_WIDTH, _HEIGHT = 900, 560
_LEFT, _RIGHT = 80, 24
_PANELS = ((70, 210), (330, 180))  # top and height
_BAND, _PALE = "#9dbad5", "#d8d8d8"
#: Points that a picture of this width can show.
_MOST = 400


def capture_svg(view: CaptureView) -> str:
    """The picture as SVG text."""
    moments = _thinned(view.figures.moments)
    title = f"{view.figures.file.replace(chr(92), '/').rsplit('/', 1)[-1]}: reply time and load"
    parts = [caption(_LEFT, 26, title, size=16, weight="bold")]
    step_s = view.figures.moment_ns / 1e9 * max(1, ceil(len(view.figures.moments) / _MOST))
    if moments:
        parts += _replies(moments)
        parts += _load(moments, view, step_s)
        parts += _times(moments, step_s)
    else:
        parts.append(caption(_LEFT, 100, "There is no packet in the capture.", size=13))
    return picture(_WIDTH, _HEIGHT, title, parts)


def _thinned(moments: Sequence[Moment]) -> list[Moment]:
    """At most so many bins as the picture can show, neighbours joined."""
    size = max(1, ceil(len(moments) / _MOST))
    return [_joined(moments[at : at + size]) for at in range(0, len(moments), size)]


def _joined(lot: Sequence[Moment]) -> Moment:
    replied = [one for one in lot if one.replies]
    many = sum(one.replies for one in replied)
    return Moment(
        lot[0].at_ns,
        sum(one.packets for one in lot),
        sum(one.bytes for one in lot),
        sum(one.group for one in lot),
        many,
        min((one.least_ns for one in replied), default=0),
        sum(one.mean_ns * one.replies for one in replied) // many if many else 0,
        max((one.p95_ns for one in replied), default=0),
        max((one.most_ns for one in replied), default=0),
    )


# -- reply times, on a logarithmic scale ------------------------------------------------------------------


def _replies(moments: Sequence[Moment]) -> Iterator[str]:
    top, height = _PANELS[0]
    yield caption(_LEFT, top - 16, "Reply time, ms (band: least to 95 %, line: mean, dots: most)", size=12)
    replied = [one for one in moments if one.replies]
    if not replied:
        yield from _frame(top, height)
        yield caption(_LEFT + 12, top + 30, "no request with its answer in the capture", size=12)
        return
    low = floor(log10(max(min(one.least_ns for one in replied), 1000) / 1e6))
    high = max(ceil(log10(max(one.most_ns for one in replied) / 1e6 + 1e-9)), low + 1)

    def y(ns: int) -> float:
        share = (log10(max(ns, 1) / 1e6) - low) / (high - low)
        return top + height * (1 - min(max(share, 0.0), 1.0))

    yield from _frame(top, height)
    for power in range(low, high + 1):
        at = y(round(10**power * 1e6))
        yield f'<line x1="{_LEFT}" y1="{at:.1f}" x2="{_WIDTH - _RIGHT}" y2="{at:.1f}" stroke="{_PALE}"/>'
        yield caption(_LEFT - 8, at + 4, f"{10.0**power:g}", size=11, anchor="end")
    place = _places(moments)
    for run in _runs(moments):
        upper = [f"{place(number):.1f},{y(moments[number].p95_ns):.1f}" for number in run]
        lower = [f"{place(number):.1f},{y(moments[number].least_ns):.1f}" for number in reversed(run)]
        outline = " ".join((*upper, *lower))
        yield f'<polygon points="{outline}" fill="{_BAND}" stroke="{_BAND}" stroke-width="2"/>'
        mean = " ".join(f"{place(number):.1f},{y(moments[number].mean_ns):.1f}" for number in run)
        yield f'<polyline points="{mean}" fill="none" stroke="{INK}" stroke-width="1.4"/>'
    for number, one in enumerate(moments):
        if one.replies:
            yield f'<circle cx="{place(number):.1f}" cy="{y(one.most_ns):.1f}" r="1.6" fill="{INK}"/>'


def _runs(moments: Sequence[Moment]) -> Iterator[list[int]]:
    """Stretches without a bin that has no reply: no line is drawn over silence."""
    run: list[int] = []
    for number, one in enumerate(moments):
        if one.replies:
            run.append(number)
        elif run:
            yield run
            run = []
    if run:
        yield run


# -- load ---------------------------------------------------------------------------------------------------


def _load(moments: Sequence[Moment], view: CaptureView, step_s: float) -> Iterator[str]:
    top, height = _PANELS[1]
    speed = view.link_bps
    values = [one.bytes * 8 / step_s / (speed / 100 if speed else 1e6) for one in moments]
    unit = "% of the link" if speed else "Mbit/s"
    yield caption(_LEFT, top - 16, f"Load of the wire, {unit}, with preambles and gaps", size=12)
    most = max(values)
    scale = _round_up(most) if most else 1.0
    yield from _frame(top, height)
    for share in (0, 0.5, 1):
        at = top + height * (1 - share)
        yield f'<line x1="{_LEFT}" y1="{at:.1f}" x2="{_WIDTH - _RIGHT}" y2="{at:.1f}" stroke="{_PALE}"/>'
        yield caption(_LEFT - 8, at + 4, f"{scale * share:g}", size=11, anchor="end")
    place = _places(moments)
    wide = max((_WIDTH - _LEFT - _RIGHT) / len(moments) * 0.9, 1)
    for number, value in enumerate(values):
        tall = height * value / scale
        yield (
            f'<rect x="{place(number) - wide / 2:.1f}" y="{top + height - tall:.1f}" width="{wide:.1f}" '
            f'height="{tall:.1f}" fill="#1f5f99"/>'
        )


def _round_up(value: float) -> float:
    """The next 1, 2 or 5 times a power of ten."""
    power = 10.0 ** floor(log10(value))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= value * 0.999)


# -- frame and axis -----------------------------------------------------------------------------------------


def _places(moments: Sequence[Moment]) -> Callable[[int], float]:
    room = (_WIDTH - _LEFT - _RIGHT) / len(moments)
    return lambda number: _LEFT + room * (number + 0.5)


def _frame(top: int, height: int) -> Iterator[str]:
    wide = _WIDTH - _LEFT - _RIGHT
    yield f'<rect x="{_LEFT}" y="{top}" width="{wide}" height="{height}" fill="none" stroke="#808080"/>'


def _times(moments: Sequence[Moment], step_s: float) -> Iterator[str]:
    y = _PANELS[1][0] + _PANELS[1][1] + 20
    last = moments[-1].at_ns + round(step_s * 1e9)
    for at_ns, x, anchor in ((moments[0].at_ns, _LEFT, "start"), (last, _WIDTH - _RIGHT, "end")):
        yield caption(x, y, _clock(at_ns), size=11, anchor=anchor)
    yield caption(_WIDTH / 2, y, f"each point {step_s:g} s", size=11, anchor="middle")


def _clock(at_ns: int) -> str:
    try:
        return datetime.fromtimestamp(at_ns / 1e9, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    except (ValueError, OverflowError, OSError):
        return "no date"
