"""Two bands in a terminal: amperes across, seconds upward, both logarithmic; each breaker has its own sign.

    1000 s |   oo      ##
       1 s |   ooooXXXX######     where both may be, the upper breaker may trip first
     0.1 s |        ooo
           +------------------
            100 A        42 kA

A sketch: what it shows is no finer than its characters. The drawings (SVG) are the ones to look at. Pure.
"""

from __future__ import annotations

import math

from probe.model.trip_band import TripBand
from probe.present.curve_outline import Frame, frame_of

#: Four lines a decade of the five that a drawing shows.
_ROWS = 20
_MARGIN = 10
#: Signs of the lower breaker, the upper one, and where both bands lie.
LOWER, UPPER, BOTH = "o", "#", "X"


def sketch(lower: TripBand, upper: TripBand, fault_a: float, width: int) -> list[str]:
    """Lines of at most ``width`` columns: the lower breaker's band, the upper one's, and where both lie."""
    frame = frame_of([lower, upper], None)
    frame = Frame(low_a=frame.low_a, high_a=fault_a, low_s=frame.low_s, high_s=frame.high_s)
    columns = max(20, min(width - _MARGIN - 1, 72))
    currents = [_between(frame.low_a, fault_a, (n + 0.5) / columns) for n in range(columns)]
    lines = []
    for row in range(_ROWS):
        top, foot = _seconds(frame, row), _seconds(frame, row + 1)
        cells = [_cell(lower, upper, current, foot, top) for current in currents]
        lines.append(f"{_label(top, row):>{_MARGIN - 2}} |{''.join(cells)}".rstrip())
    ends = f"{frame.low_a:g} A".ljust(columns - 8) + f"{fault_a / 1000:g} kA".rjust(8)
    return [*lines, " " * (_MARGIN - 1) + "+" + "-" * columns, " " * _MARGIN + ends]


def key(lower: str, upper: str) -> str:
    """What the signs mean."""
    return f"{LOWER} {lower}   {UPPER} {upper}   {BOTH} both; seconds upward, amperes across, as found"


def _seconds(frame: Frame, row: int) -> float:
    return _between(frame.high_s, frame.low_s, row / _ROWS)


def _between(first: float, last: float, share: float) -> float:
    """The value at a share of the way, by logarithms."""
    return math.exp(math.log(first) + share * (math.log(last) - math.log(first)))


def _label(top: float, row: int) -> str:
    return f"{float(f'{top:.3g}'):g} s" if row % 4 == 0 else ""


def _cell(lower: TripBand, upper: TripBand, current: float, foot: float, top: float) -> str:
    inside = [_touches(band, current, foot, top) for band in (lower, upper)]
    return BOTH if all(inside) else LOWER if inside[0] else UPPER if inside[1] else " "


def _touches(band: TripBand, current: float, foot: float, top: float) -> bool:
    """True if some moment of the band lies between two times; below the frame counts as its foot."""
    least, most = band.least_s(current), band.most_s(current)
    return least <= top and most >= foot and not math.isinf(least)
