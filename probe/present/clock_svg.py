"""Order of events as a picture in a file: one bar a clock on one scale, SVG 1.1 written by hand.

A bar shows when an event truly happened that the clock stamps 0; bars that do not meet tell the order. Every
bar has its numbers beside it, so that nobody needs the colours. Pure.
"""

from __future__ import annotations

from probe.judge.clock_fleet import Fleet
from probe.judge.limit import Interval
from probe.present.clock_order import about_middle, scale_of, seconds, window_text
from probe.present.svg_paper import caption, picture

_NAMES, _PLOT, _NUMBERS = 150, 520, 210  # columns, in units of the picture
_LINE, _TOP, _FOOT = 22, 92, 46
_WIDTH = _NAMES + _PLOT + _NUMBERS


def order_svg(fleet: Fleet, title: str) -> str:
    """The picture as SVG text. title: site and lineup."""
    reach_s = scale_of(fleet) if fleet.members else 1.0
    height = _TOP + _LINE * len(fleet.members) + _FOOT
    parts = [
        caption(12, 26, title, size=16, weight="bold"),
        caption(12, 48, _words(fleet), size=12),
        *_axis(reach_s, height),
    ]
    for number, member in enumerate(fleet.members):
        parts += _bar(member.tag, about_middle(fleet, member), reach_s, _TOP + _LINE * number)
    parts.append(caption(12, height - 14, _LEGEND, size=11))
    return picture(_WIDTH, height, title, parts, _words(fleet))


_LEGEND = "An event that a clock stamps 0 happened within its bar. Bars that do not meet tell the order."


def _words(fleet: Fleet) -> str:
    worst = fleet.worst
    if worst is None:
        return "Fewer than two clocks could be compared."
    return (
        f"Stamps tell the order when more than {seconds(worst.raw_s)} apart (worst pair {worst.first} and "
        f"{worst.second}); half of all pairs {seconds(fleet.median_s)}"
    )


def _axis(reach_s: float, height: int) -> list[str]:
    """Lines at both ends of the scale and in the middle, with their seconds."""
    parts = []
    for value in (-reach_s, 0.0, reach_s):
        x = _x(value, reach_s)
        parts.append(
            f'<line x1="{x:.1f}" y1="{_TOP - 8}" x2="{x:.1f}" y2="{height - _FOOT + 6}" stroke="#b0b0b0"/>'
        )
        parts.append(caption(x, _TOP - 14, f"{value:+g} s" if value else "0", size=11, anchor="middle"))
    return parts


def _bar(tag: str, window: Interval, reach_s: float, y: int) -> list[str]:
    low, high = max(window.low, -1.1 * reach_s), min(window.high, 1.1 * reach_s)
    outside = low > high
    if outside:  # an arrow head at the edge, on the side where it lies
        right = window.low > reach_s
        x = _x(1.1 * reach_s if right else -1.1 * reach_s, reach_s)
        tip, base = (x, x - 10) if right else (x, x + 10)
        shape = f'<path d="M{base:.1f},{y} L{tip:.1f},{y + 6} L{base:.1f},{y + 12} Z" fill="#b35900"/>'
    else:
        x, width = _x(low, reach_s), max(_x(high, reach_s) - _x(low, reach_s), 1.5)
        shape = f'<rect x="{x:.1f}" y="{y}" width="{width:.1f}" height="12" fill="#1f5f99"/>'
    numbers = window_text(window) + (" (beyond)" if outside else "")
    return [
        caption(12, y + 11, tag, size=12),
        shape,
        caption(_NAMES + _PLOT + 12, y + 11, numbers, size=12),
    ]


def _x(value_s: float, reach_s: float) -> float:
    """Place of a value on the scale, which reaches a tenth beyond its marks."""
    return _NAMES + _PLOT * (value_s / (1.1 * reach_s) + 1) / 2
