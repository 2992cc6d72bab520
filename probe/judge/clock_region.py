"""Clock region: all pairs (offset, drift) of a clock that its readings leave possible.

A device shows the stamp v with resolution q. The request left at t1, the answer was there at t4 (local
monotonic time). At some instant between them the clock stood in [v, v + q). Nothing is assumed about where
inside the round trip that instant lay. The clock never runs backwards, so the reading says exactly

    C(t4) >= v    and    C(t1) < v + q,        C(t) = t + offset + drift * (t - origin)

which are two half-planes in the (offset, drift) plane. The region starts as the box of what is assumed
(offset anything, |drift| at most a stated bound) and each reading cuts it: a convex polygon with few
corners. Its extent gives the offset's interval at any instant, with the drift bound applied between
readings as it must be, and the drift's interval as soon as the readings say anything about it. An empty
region means that no clock of that drift can have shown these stamps; that is a finding, never averaged.

Lengths are nanoseconds, drift is nanoseconds a second (1 ppm = 1000). Floats serve here: all numbers are
differences from the first reading, far below 2**53; every cut leaves ``SLACK_NS`` so that rounding never
cuts off the truth.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

SLACK_NS = 2.0
S = 1_000_000_000.0


class Stamp(NamedTuple):
    """One reading of a clock: sent and received in local monotonic ns, shown in ns of the clock's own time.

    resolution_ns: smallest step that the clock shows.
    """

    sent_ns: int
    received_ns: int
    shown_ns: int
    resolution_ns: int


class Bounds(NamedTuple):
    """A closed interval."""

    low: float
    high: float

    @property
    def width(self) -> float:
        """high - low."""
        return self.high - self.low

    @property
    def middle(self) -> float:
        """Half-way between the ends."""
        return (self.low + self.high) / 2


Corner = tuple[float, float]  # (offset - base, drift)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockRegion:
    """The possible (offset, drift) pairs of one clock against local time.

    origin_ns: local instant at which a corner's offset holds. base_ns: whole part of the offset, so that
    corners stay small. corners: in order around the polygon; none when nothing is possible.
    """

    origin_ns: int
    base_ns: int
    corners: tuple[Corner, ...]

    @classmethod
    def of_first(cls, stamp: Stamp, drift_bound_ppm: float) -> ClockRegion:
        """The region after one reading, drift anywhere within +-drift_bound_ppm."""
        bound = drift_bound_ppm * 1000.0
        # Drift (below 100 %) moves the offset by less than the round trip itself.
        reach = 2 * (stamp.received_ns - stamp.sent_ns + stamp.resolution_ns) + S
        box = ((-reach, -bound), (reach, -bound), (reach, bound), (-reach, bound))
        base = stamp.shown_ns - stamp.received_ns
        region = cls(origin_ns=stamp.received_ns, base_ns=base, corners=box)
        return region.cut(stamp)

    @property
    def is_empty(self) -> bool:
        """True when no clock within the drift bound can have shown the stamps."""
        return not self.corners

    def cut(self, stamp: Stamp) -> ClockRegion:
        """The region that is left after one more reading."""
        early = (stamp.sent_ns - self.origin_ns) / S
        late = (stamp.received_ns - self.origin_ns) / S
        low = float(stamp.shown_ns - stamp.received_ns - self.base_ns) - SLACK_NS
        high = float(stamp.shown_ns + stamp.resolution_ns - stamp.sent_ns - self.base_ns) + SLACK_NS
        corners = _clip(self.corners, 1.0, late, low)
        corners = _clip(corners, -1.0, -early, -high)
        return ClockRegion(origin_ns=self.origin_ns, base_ns=self.base_ns, corners=corners)

    def offset_at(self, at_ns: int) -> Bounds:
        """Bounds of (clock - local time) at a local instant, ns. Raises ValueError for an empty region."""
        dt = (at_ns - self.origin_ns) / S
        values = [offset + drift * dt for offset, drift in self._some()]
        return Bounds(self.base_ns + min(values), self.base_ns + max(values))

    def relative_at(self, at_ns: int) -> Bounds:
        """As ``offset_at``, less base_ns: keeps sub-nanosecond digits for large offsets."""
        dt = (at_ns - self.origin_ns) / S
        values = [offset + drift * dt for offset, drift in self._some()]
        return Bounds(min(values), max(values))

    def drift_ppm(self) -> Bounds:
        """Bounds of the drift in parts per million (positive: the clock gains)."""
        drifts = [drift for _, drift in self._some()]
        return Bounds(min(drifts) / 1000.0, max(drifts) / 1000.0)

    def _some(self) -> tuple[Corner, ...]:
        if not self.corners:
            raise ValueError("an empty region has no extent")
        return self.corners


def region_of(stamps: Iterable[Stamp], drift_bound_ppm: float) -> ClockRegion | None:
    """The region of all readings; None without any."""
    region: ClockRegion | None = None
    for stamp in stamps:
        region = ClockRegion.of_first(stamp, drift_bound_ppm) if region is None else region.cut(stamp)
    return region


def _clip(corners: tuple[Corner, ...], a: float, b: float, limit: float) -> tuple[Corner, ...]:
    """The part of a convex polygon where a * offset + b * drift >= limit (Sutherland and Hodgman's step)."""
    if not corners:
        return corners
    heights = [a * offset + b * drift - limit for offset, drift in corners]
    if min(heights) >= 0:
        return corners
    kept: list[Corner] = []
    for i, here in enumerate(corners):
        height, next_height = heights[i], heights[(i + 1) % len(corners)]
        if height >= 0:
            kept.append(here)
        if (height < 0) != (next_height < 0):
            there = corners[(i + 1) % len(corners)]
            part = height / (height - next_height)
            kept.append((here[0] + part * (there[0] - here[0]), here[1] + part * (there[1] - here[1])))
    return tuple(kept)
