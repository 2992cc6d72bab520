"""The plan's edges: the standard's quantities, prices by bit time, points that cannot be read."""

from __future__ import annotations

import pytest

from probe.collect.plan import PlanError, Price, block_limit, ethernet_price, plan_reads, serial_price
from probe.model.profile import Area, Limits, Point, Span


def point(name: str, start: int, count: int, *, area: Area = Area.HOLDING, atom: str = "") -> Point:
    return Point(
        name=name, title=name, area=area, start=start, count=count, type="u16", order="AB",
        decoder=None, atom=atom,  # type: ignore[arg-type]
    )  # fmt: skip


def spans(points: list[Point], limits: Limits | None = None, *holes: Span) -> list[tuple[int, int]]:
    reads = plan_reads(points, limits or Limits(), holes, Price(1000, 1))
    return [(read.start, read.quantity) for read in reads]


def test_limits_never_exceed_the_standard() -> None:
    """Source: MODBUS Application Protocol Specification V1.1b3, 6.1 (2000 bits) and 6.3 (125 registers)."""
    assert block_limit(Area.HOLDING, Limits(registers=500)) == 125
    assert block_limit(Area.COIL, Limits(bits=9999)) == 2000
    assert spans([point("a", 0, 1), point("b", 125, 1)]) == [(0, 1), (125, 1)]
    assert spans([point("a", 0, 1), point("b", 124, 1)]) == [(0, 125)]


def test_a_hole_parts_two_requests() -> None:
    hole = Span(area=Area.HOLDING, start=5, end=6)
    other = Span(area=Area.INPUT, start=5, end=6)
    assert spans([point("a", 0, 2), point("b", 8, 2)], None, hole) == [(0, 2), (8, 2)]
    assert spans([point("a", 0, 2), point("b", 8, 2)], None, other) == [(0, 10)]


def test_overlapping_points_and_atoms_out_of_order() -> None:
    points = [point("b", 8, 2, atom="x"), point("wide", 0, 6), point("in", 2, 1), point("a", 4, 1, atom="x")]
    assert spans(points, Limits(registers=6)) == [(0, 6), (4, 6)]
    assert spans(points) == [(0, 10)]


def test_unneeded_registers_against_one_more_request() -> None:
    far = [point("a", 0, 1), point("b", 100, 1)]
    cheap_requests, dear_requests = Price(100, 1), Price(300, 1)
    assert len(plan_reads(far, Limits(), (), cheap_requests)) == 2  # 2 x 100 + 4 bytes < 100 + 202 bytes
    assert len(plan_reads(far, Limits(), (), dear_requests)) == 1


def test_bit_time_prices() -> None:
    """Source: MODBUS over Serial Line V1.02, 2.5.1 and 2.5.1.1; the sums are the published frame times.

    Ten registers at 9,600 baud with a device that thinks 20 ms: 65.833 ms in all; 125 registers at
    115,200 baud: 48.613 ms (computed from the rules: 8-byte request, 5 + 2n reply, two silences).
    """
    limits = Limits(request_cost_s=0.020)
    assert serial_price(limits, 9_600).of(Area.HOLDING, 10) / 1e6 == pytest.approx(65.833, abs=1e-3)
    assert serial_price(limits, 115_200).of(Area.INPUT, 125) / 1e6 == pytest.approx(48.613, abs=1e-3)


def test_slow_lines_ask_less_than_fast_ones() -> None:
    points = [point("a", 0, 1), point("b", 40, 1)]
    limits = Limits()
    assert len(plan_reads(points, limits, (), ethernet_price(limits))) == 1
    assert len(plan_reads(points, limits, (), serial_price(limits, 9_600))) == 2


@pytest.mark.parametrize(
    ("points", "names"),
    [
        ([point("wide", 0, 11)], ("wide",)),
        ([point("a", 0, 1, atom="t"), point("b", 30, 1, atom="t")], ("a", "b")),
        ([point("on", 19, 2)], ("on",)),
    ],
)
def test_a_point_that_can_never_be_read_is_named(points: list[Point], names: tuple[str, ...]) -> None:
    hole = Span(area=Area.HOLDING, start=20, end=22)
    with pytest.raises(PlanError) as caught:
        plan_reads(points, Limits(registers=10), (hole,), Price(1, 1))
    assert caught.value.piece.points == names


def test_nothing_wanted_needs_no_request() -> None:
    assert plan_reads([], Limits(), (), Price(1, 1)) == ()
