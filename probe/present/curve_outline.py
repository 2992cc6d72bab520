"""Outline of a trip band as points to draw: soonest and latest clearing over the current, jumps sharp."""

from __future__ import annotations

import math
from dataclasses import dataclass

from probe.model.trip_band import TripBand

#: Points over one decade of current; a drawing of 700 columns shows no more.
PER_DECADE = 40
_HAIR = 1e-6
Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What a drawing shows: amperes and seconds from and to; outside of it nothing is drawn."""

    low_a: float
    high_a: float
    low_s: float
    high_s: float

    def clipped_s(self, seconds: float) -> float:
        """Seconds within the frame."""
        return min(max(seconds, self.low_s), self.high_s)


def frame_of(bands: list[TripBand], fault_a: float | None) -> Frame:
    """A frame of whole decades that holds the bands, up to a little beyond the fault current."""
    corners = [corner for band in bands for corner in band.corners]
    low = min(corners, default=100.0) / 1.3
    high = max([*(corners or [1000.0]), fault_a or 0.0]) * 1.5
    return Frame(
        low_a=10.0 ** math.floor(math.log10(low)),
        high_a=10.0 ** math.ceil(math.log10(high)),
        low_s=0.01,
        high_s=1000.0,
    )


def outline(band: TripBand, frame: Frame, up_to_a: float) -> tuple[Point, ...]:
    """The band as a closed figure: down the soonest clearing, back along the latest, up to a current."""
    currents = _currents(band, frame, up_to_a)
    soonest = [(a, band.least_s(a)) for a in currents]
    latest = [(a, band.most_s(a)) for a in currents]
    down = _from_top(soonest, frame)
    back = _from_top(latest, frame)
    return (*down, *reversed(back))


def _from_top(points: list[Point], frame: Frame) -> list[Point]:
    """The finite part, with the point at the top of the frame from which it falls."""
    finite = [(a, frame.clipped_s(t)) for a, t in points if math.isfinite(t)]
    if not finite:
        return []
    return [(finite[0][0], frame.high_s), *finite]


def _currents(band: TripBand, frame: Frame, up_to_a: float) -> list[float]:
    """Currents to look at, rising: a fine grid, and both sides of each corner."""
    last = min(up_to_a, frame.high_a)
    decades = math.log10(frame.high_a / frame.low_a)
    many = round(decades * PER_DECADE)
    grid = [frame.low_a * 10 ** (decades * n / many) for n in range(many + 1)]
    sides = [side for corner in band.corners for side in (corner * (1 - _HAIR), corner * (1 + _HAIR))]
    return sorted({a for a in (*grid, *sides, last) if frame.low_a <= a <= last})
