"""Plans against brute force: for small cases every way to cut is tried; the plan is as cheap as the best."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.collect.plan import Piece, PlanError, Price, Read, cover, pieces_of, plan_reads
from probe.model.profile import Area, Limits, Point, Span


class _NoDecoder:
    def decode(self, raw: bytes) -> object:
        raise AssertionError("a plan decodes nothing")

    def encode(self, value: object) -> bytes:
        raise AssertionError("a plan encodes nothing")


def point(name: str, start: int, count: int, *, area: Area = Area.HOLDING, atom: str = "") -> Point:
    return Point(
        name=name, title=name, area=area, start=start, count=count, type="u16", order="AB",
        decoder=_NoDecoder(), atom=atom,
    )  # fmt: skip


def partitions(items: list[Piece]) -> Iterator[list[list[Piece]]]:
    """Every way to put the items into unnamed boxes (Bell number of them)."""
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for way in partitions(rest):
        yield [[first], *way]
        for i in range(len(way)):
            yield [*way[:i], [first, *way[i]], *way[i + 1 :]]


def hull_cost(box: list[Piece], limit: int, holes: list[Span], price: Price) -> int | None:
    start, end = min(p.start for p in box), max(p.end for p in box)
    if end - start > limit:
        return None
    if any(hole.start <= address < hole.end for hole in holes for address in range(start, end)):
        return None
    return price.of(box[0].area, end - start)


def brute_force(pieces: list[Piece], limit: int, holes: list[Span], price: Price) -> int | None:
    """Least cost over all partitions; None if there is no way. Shares no line with the planner."""
    best: int | None = None
    for way in partitions(pieces):
        costs = [hull_cost(box, limit, holes, price) for box in way]
        if None in costs:
            continue
        total = sum(cost for cost in costs if cost is not None)
        best = total if best is None else min(best, total)
    return best


areas = st.sampled_from([Area.HOLDING, Area.COIL])
spans = st.tuples(st.integers(0, 40), st.integers(1, 9))


@given(
    area=areas,
    ranges=st.lists(spans, min_size=1, max_size=6),
    holes=st.lists(st.tuples(st.integers(0, 48), st.integers(1, 3)), max_size=3),
    limit=st.integers(1, 30),
    price=st.builds(Price, st.integers(0, 60), st.integers(0, 4)),
)
def test_as_cheap_as_the_best_of_all_ways(
    area: Area, ranges: list[tuple[int, int]], holes: list[tuple[int, int]], limit: int, price: Price
) -> None:
    pieces = [Piece(area, s, s + n, (f"p{i}",)) for i, (s, n) in enumerate(ranges)]
    spans_ = [Span(area=area, start=s, end=s + n) for s, n in holes]
    least = brute_force(pieces, limit, spans_, price)
    if least is None:
        with pytest.raises(PlanError):
            cover(pieces, limit, spans_, price)
        return
    reads = cover(pieces, limit, spans_, price)
    assert sum(price.of(area, read.quantity) for read in reads) == least
    assert_lawful(reads, pieces, limit, spans_)


def assert_lawful(reads: list[Read], pieces: list[Piece], limit: int, holes: list[Span]) -> None:
    """Covers all pieces whole, keeps the limit, touches no hole, names each piece where it lies."""
    for read in reads:
        assert 1 <= read.quantity <= limit
        touched = set(range(read.start, read.end))
        assert not any(touched & set(range(hole.start, hole.end)) for hole in holes)
        assert all(read.start <= p.start and p.end <= read.end for p in read.pieces)
    named = {p for read in reads for p in read.pieces}
    assert named == set(pieces)
    assert [r.start for r in reads] == sorted(r.start for r in reads)


@given(ranges=st.lists(st.tuples(spans, st.sampled_from(["", "", "a", "b"]), areas), min_size=1, max_size=8))
def test_points_of_one_atom_stand_in_one_request(
    ranges: list[tuple[tuple[int, int], str, Area]],
) -> None:
    points = [
        point(f"p{i}", s, 1 if area.is_bits else n, area=area, atom=atom)
        for i, ((s, n), atom, area) in enumerate(ranges)
    ]
    reads = plan_reads(points, Limits(registers=60, bits=60), (), Price(10, 1))
    for piece in pieces_of(points):
        members = [p for p in points if p.name in piece.points]
        assert any(
            all(r.area is p.area and r.start <= p.start and p.end <= r.end for p in members) for r in reads
        )
