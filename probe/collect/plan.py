"""Which reads cover the wanted points of a device at the least cost: an exact optimum, pure.

Decides how points are gathered into requests, given the block limit, the holes and the price of one more
request against unneeded registers. Leaves the order of the requests to ``device_plan`` and what happens
when a device refuses one to ``refusal``.

Why a shortest path is exact: a piece (a point, or all points of one atom) that lies inside another costs
nothing and is dropped. Of the rest, sorted by start, the ends rise too. If two reads of any plan serve
pieces crosswise, the earlier piece fits into the earlier read as it is, so moving it there costs nothing.
So some cheapest plan serves runs of neighbours, and the cheapest cut into runs is a shortest path.

Rules: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4 (quantities); MODBUS over Serial Line
V1.02, 2.5.1 (11 bits a character) and 2.5.1.1 (3.5 characters of silence between frames).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from probe.model.profile import Area, Limits, Point, Span

#: Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4.
MOST_BITS = 2000
MOST_REGISTERS = 125

_AREAS = tuple(Area)


class PlanError(ValueError):
    """A point (or atom) can never be read: it is wider than a request may be, or lies on a hole."""

    def __init__(self, piece: Piece, why: str) -> None:
        self.piece = piece
        self.why = why
        super().__init__(f"{', '.join(piece.points)}: {why}")


class Piece(NamedTuple):
    """What must stand in one request: one point, or the points of one atom; PDU addresses, end excluded."""

    area: Area
    start: int
    end: int
    points: tuple[str, ...]


class Read(NamedTuple):
    """One request: PDU addresses start <= address < end as the profile counts them, and what it is for."""

    area: Area
    start: int
    end: int
    pieces: tuple[Piece, ...]

    @property
    def quantity(self) -> int:
        """Registers or bits that the request asks."""
        return self.end - self.start


class Price(NamedTuple):
    """What a request costs, in nanoseconds: for itself, and for each byte of data in its answer."""

    request_ns: int
    byte_ns: int

    def of(self, area: Area, count: int) -> int:
        """Cost of one request for ``count`` registers or bits."""
        return self.request_ns + self.byte_ns * ((count + 7) // 8 if area.is_bits else 2 * count)


def ethernet_price(limits: Limits) -> Price:
    """Price where the line's bit time does not matter: as the profile states it."""
    return Price(
        round((limits.request_cost_s + limits.gap_s) * 1e9), max(1, round(limits.register_cost_s * 5e8))
    )


def serial_price(limits: Limits, baud: int) -> Price:
    """Price on a serial line: every character takes 11 bits, every frame is followed by silence.

    A request of 8 characters and the 5 characters around an answer's data, two silences of 3.5 characters
    (fixed at 1.75 ms above 19,200 baud), the device's own thinking time and its gap.
    Source: MODBUS over Serial Line V1.02, 2.5.1 and 2.5.1.1.
    """
    character_s = 11 / baud
    silence_s = 3.5 * character_s if baud <= 19_200 else 0.001_75
    fixed_s = 13 * character_s + 2 * silence_s + limits.request_cost_s + limits.gap_s
    return Price(round(fixed_s * 1e9), round(character_s * 1e9))


def plan_reads(
    points: Iterable[Point], limits: Limits, holes: Sequence[Span], price: Price
) -> tuple[Read, ...]:
    """Cheapest reads that cover the points without touching a hole; rising addresses, area by area.

    Each piece lies in at least one read. Of equally dear plans the one with fewer requests is taken.
    Raises PlanError if a piece is wider than a request may be or lies on a hole.
    """
    pieces = pieces_of(points)
    reads: list[Read] = []
    for area in _AREAS:
        mine = [piece for piece in pieces if piece.area is area]
        spans = [hole for hole in holes if hole.area is area]
        reads += cover(mine, block_limit(area, limits), spans, price)
    return tuple(reads)


def block_limit(area: Area, limits: Limits) -> int:
    """The most registers or bits that one request may ask: the type's own limit within the standard's."""
    if area.is_bits:
        return min(limits.bits, MOST_BITS)
    return min(limits.registers, MOST_REGISTERS)


def pieces_of(points: Iterable[Point]) -> list[Piece]:
    """Points gathered by atom; one piece for each atom (its hull) and for each point without one."""
    groups: dict[object, list[Point]] = {}
    for point in points:
        key = (point.area, point.atom) if point.atom else (point.area, "", point.name)
        groups.setdefault(key, []).append(point)
    return [
        Piece(
            group[0].area,
            min(point.start for point in group),
            max(point.end for point in group),
            tuple(point.name for point in group),
        )
        for group in groups.values()
    ]


def cover(pieces: Sequence[Piece], limit: int, holes: Sequence[Span], price: Price) -> list[Read]:
    """Cheapest reads of one area that cover the pieces; see ``plan_reads``."""
    chain = _undominated(pieces)
    for piece in chain:
        _check(piece, limit, holes)
    best: list[tuple[int, int, int]] = [(0, 0, 0)]  # cost, requests, first piece of the last read
    for last in range(len(chain)):
        best.append(_cheapest_to(chain, last, best, limit, holes, price))
    return _walk_back(chain, pieces, best)


def _undominated(pieces: Sequence[Piece]) -> list[Piece]:
    """Pieces that lie in no other, by start; starts and ends both rise strictly."""
    chain: list[Piece] = []
    for piece in sorted(pieces, key=lambda p: (p.start, -p.end)):
        if not chain or piece.end > chain[-1].end:
            chain.append(piece)
    return chain


def _check(piece: Piece, limit: int, holes: Sequence[Span]) -> None:
    width = piece.end - piece.start
    if width > limit:
        raise PlanError(piece, f"{width} wide, but one request may ask {limit}")
    if _touches(piece.start, piece.end, holes):
        raise PlanError(piece, "lies on addresses that must not be read (a hole)")


def _touches(start: int, end: int, holes: Sequence[Span]) -> bool:
    return any(hole.start < end and start < hole.end for hole in holes)


def _cheapest_to(
    chain: Sequence[Piece],
    last: int,
    best: Sequence[tuple[int, int, int]],
    limit: int,
    holes: Sequence[Span],
    price: Price,
) -> tuple[int, int, int]:
    """Cheapest way to have served the pieces up to ``last``, over all first pieces of the last read."""
    end = chain[last].end
    found: tuple[int, int, int] | None = None
    for first in range(last, -1, -1):
        start = chain[first].start
        if end - start > limit or _touches(start, end, holes):
            break  # an earlier first piece only makes the read wider
        way = (best[first][0] + price.of(chain[last].area, end - start), best[first][1] + 1, first)
        if found is None or way < found:
            found = way
    assert found is not None  # the single piece was checked
    return found


def _walk_back(
    chain: Sequence[Piece], pieces: Sequence[Piece], best: Sequence[tuple[int, int, int]]
) -> list[Read]:
    """The reads of the cheapest way, with every piece (also the dropped ones) named where it lies."""
    reads: list[Read] = []
    at = len(chain)
    while at:
        first = best[at][2]
        start, end = chain[first].start, chain[at - 1].end
        inside = sorted(p for p in pieces if start <= p.start and p.end <= end)
        reads.append(Read(chain[0].area, start, end, tuple(inside)))
        at = first
    return reads[::-1]
