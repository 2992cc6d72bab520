"""A growth curve as SVG: cost against size, both axes logarithmic, each way with its own sign and line."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

WIDTH, HEIGHT = 640, 400
LEFT, RIGHT, TOP, BOTTOM = 80, 190, 40, 50
COLOURS = ("#005a9c", "#b35900", "#4d4d4d", "#7a3e9d")
DASHES = ("", "7 4", "2 3", "9 3 2 3")
Points = Sequence[tuple[float, float]]


def exponent(points: Points) -> float:
    """Slope of the last half of the curve on logarithmic axes: 1 is linear. Needs two sizes."""
    tail = sorted(points)[-max(2, len(points) // 2) :]
    xs, ys = [math.log(x) for x, _ in tail], [math.log(y) for _, y in tail]
    mx, my = sum(xs) / len(xs), sum(ys) / len(ys)
    return sum((x - mx) * (y - my) for x, y in zip(xs, ys, strict=True)) / sum((x - mx) ** 2 for x in xs)


def drawing(title: str, across: str, up: str, ways: Mapping[str, Points]) -> str:
    """The picture. ways: name to (size, cost), all above zero."""
    every = [point for points in ways.values() for point in points]
    x_low, x_high = _span([x for x, _ in every])
    y_low, y_high = _span([y for _, y in every])

    def at(x: float, y: float) -> tuple[float, float]:
        right = (math.log10(x) - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT)
        high = (math.log10(y) - y_low) / (y_high - y_low) * (HEIGHT - TOP - BOTTOM)
        return LEFT + right, HEIGHT - BOTTOM - high

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}">',
        '<g font-family="sans-serif" font-size="12">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<text x="{LEFT}" y="22" font-size="14">{title}</text>',
    ]
    for power in range(math.ceil(x_low), math.floor(x_high) + 1):
        x, _ = at(10.0**power, 10.0**y_low)
        parts.append(_line(x, TOP, x, HEIGHT - BOTTOM))
        parts.append(f'<text x="{x:.1f}" y="{HEIGHT - 32}" text-anchor="middle">{_number(power)}</text>')
    for power in range(math.ceil(y_low), math.floor(y_high) + 1):
        _, y = at(10.0**x_low, 10.0**power)
        parts.append(_line(LEFT, y, WIDTH - RIGHT, y))
        parts.append(f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{_number(power)}</text>')
    middle = (LEFT + WIDTH - RIGHT) / 2
    parts.append(f'<text x="{middle}" y="{HEIGHT - 10}" text-anchor="middle">{across}</text>')
    turned = f'transform="rotate(-90 18 {HEIGHT / 2})"'
    parts.append(f'<text x="18" y="{HEIGHT / 2}" text-anchor="middle" {turned}>{up}</text>')
    for number, (name, points) in enumerate(ways.items()):
        parts += _way(number, name, [at(*point) for point in sorted(points)])
    return "\n".join([*parts, "</g>", "</svg>", ""])


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = math.log10(min(values)), math.log10(max(values))
    return math.floor(low * 4) / 4, max(math.ceil(high * 4) / 4, math.floor(low * 4) / 4 + 0.5)


def _number(power: int) -> str:
    return f"{10**power:,}" if power >= 0 else f"{10.0**power:g}"


def _line(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="#dddddd"/>'


def _way(number: int, name: str, places: Sequence[tuple[float, float]]) -> list[str]:
    colour, dash = COLOURS[number % len(COLOURS)], DASHES[number % len(DASHES)]
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
    dots = [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{colour}"/>' for x, y in places]
    y = TOP + 16 + 20 * number
    x = WIDTH - RIGHT + 12
    style = f'fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"'
    return [
        f'<polyline points="{path}" {style}/>',
        *dots,
        f'<line x1="{x}" y1="{y - 4}" x2="{x + 26}" y2="{y - 4}" {style}/>',
        f'<text x="{x + 32}" y="{y}">{name}</text>',
    ]
