"""What readings leave possible of a clock: exact ends by hand, and against a solver of linear programmes."""

from __future__ import annotations

import random

import pytest

from probe.judge.clock_region import Bounds, ClockRegion, Stamp, _clip, region_of

MS = 1_000_000
S = 1_000_000_000
FIRST = Stamp(0, 20 * MS, 5 * S, S)
EXACT = Stamp(0, 0, 5 * S, 0)  # no round trip, no step


def test_one_reading_leaves_its_step_its_round_trip_and_the_drift_in_it() -> None:
    """offset >= v - t4 and offset < v + q - t1; 2 ns to either side for rounding; 200 ppm of 20 ms: 4 us."""
    region = ClockRegion.of_first(FIRST, 200)
    assert region.offset_at(20 * MS) == (4_980_000_000 - 2, 6_000_000_000 + 2 + 4_000)
    assert region.offset_at(0) == (4_980_000_000 - 2 - 4_000, 6_000_000_000 + 2)


def test_time_widens_by_the_drift_that_is_assumed_to_both_sides() -> None:
    """200 ppm: 0.2 ms a second, before the reading as after it."""
    region = region_of([EXACT], 200)
    assert region is not None
    for away_s in (-10, 0, 10):
        wide = abs(away_s) * 200_000 + 2
        assert region.offset_at(away_s * S) == (5 * S - wide, 5 * S + wide)


def test_one_reading_says_nothing_of_the_drift() -> None:
    assert ClockRegion.of_first(FIRST, 137).drift_ppm() == (-137, 137)


def test_two_exact_readings_give_the_drift_between_them() -> None:
    """50 ms in 1000 s are 50 ppm; in the middle of them 25 ms; 4 ns in 1000 s are 0.000004 ppm."""
    region = region_of([EXACT, Stamp(1000 * S, 1000 * S, 1005 * S + 50 * MS, 0)], 200)
    assert region is not None
    drift = region.drift_ppm()
    assert drift == pytest.approx((50 - 4e-6, 50 + 4e-6), abs=1e-8)
    assert region.offset_at(500 * S) == pytest.approx((5 * S + 25 * MS - 2, 5 * S + 25 * MS + 2), abs=1e-3)


def test_bounds_that_just_touch_are_possible_and_a_nanosecond_more_is_not() -> None:
    """[5 s - 2, 5 s + 2] and a second reading that asks for 5 s + 2 at least, then 5 s + 3."""
    for ahead, empty in ((4, False), (5, True), (-4, False), (-5, True)):
        region = region_of([EXACT, Stamp(0, 0, 5 * S + ahead, 0)], 200)
        assert region is not None
        assert region.is_empty is empty, ahead


def test_an_empty_region_stays_so_and_has_no_extent() -> None:
    region = region_of([EXACT, Stamp(0, 0, 9 * S, 0), EXACT], 200)
    assert region is not None
    assert region.is_empty
    for asked in (region.drift_ppm, lambda: region.offset_at(0), lambda: region.relative_at(0)):
        with pytest.raises(ValueError, match="no extent"):
            asked()


def test_without_readings_there_is_no_region() -> None:
    assert region_of([], 200) is None


def test_the_whole_part_of_an_offset_is_kept_apart() -> None:
    """A clock of our days against a run's time: beside 1.7e18 ns a float has steps of 256."""
    stamp = Stamp(7, 9, 1_772_619_330 * S + 3, 0)
    region = region_of([stamp], 200)
    assert region is not None
    assert region.base_ns == 1_772_619_330 * S + 3 - 9
    assert region.relative_at(9) == pytest.approx((-2, 4), abs=1e-3)
    assert region.offset_at(9) == pytest.approx((region.base_ns, region.base_ns), abs=512)


@pytest.mark.parametrize("bound_ppm", [200.0, 20_000.0, 400_000.0])
@pytest.mark.parametrize("trip_s", [0, 1, 120])
@pytest.mark.parametrize("sign", [-1, 1])
def test_a_slow_answer_cuts_off_no_clock_within_the_bound(bound_ppm: float, trip_s: int, sign: int) -> None:
    """The clock drifts all through the round trip: read at its very begin or its very end."""
    drift = sign * bound_ppm / 1e6
    for read_s in (0, trip_s):
        shown = round(read_s * S * (1 + drift)) // S * S
        region = region_of([Stamp(0, trip_s * S, shown, S)], bound_ppm)
        assert region is not None
        bounds = region.offset_at(trip_s * S)
        assert bounds.low <= drift * trip_s * S <= bounds.high


def test_width_and_middle() -> None:
    assert (Bounds(2, 5).width, Bounds(2, 5).middle) == (3, 3.5)


def some_stamps(rng: random.Random) -> list[Stamp]:
    """One to eight readings of a clock of unknown offset and a drift within 150 ppm."""
    stamps, offset, drift = [], rng.uniform(-1e10, 1e10), rng.uniform(-150, 150) * 1e-6
    for number in range(rng.randrange(1, 9)):
        sent, trip, q = number * rng.randrange(1, 40) * S, rng.randrange(1, 300) * MS, rng.choice((MS, S))
        clock = (sent + trip * rng.random()) * (1 + drift) + offset
        stamps.append(Stamp(sent, sent + trip, int(clock // q * q), q))
    return stamps


class Planes:
    """The half-planes of the readings, in ms and ms a second, so that the solver's tolerances suit."""

    def __init__(self, stamps: list[Stamp], region: ClockRegion) -> None:
        base, origin = region.base_ns, region.origin_ns
        self.rows, self.limits = list[list[float]](), list[float]()
        for one in stamps:
            self.rows += [[-1.0, -(one.received_ns - origin) / S], [1.0, (one.sent_ns - origin) / S]]
            self.limits.append(-(one.shown_ns - one.received_ns - base - 2) / MS)
            self.limits.append((one.shown_ns + one.resolution_ns - one.sent_ns - base + 2) / MS)

    def extent(self, offset: float, drift: float) -> tuple[float, float]:
        """Least and most of offset * o + drift * d, drift within 200 ppm."""
        from scipy.optimize import linprog

        ends = []
        for sign in (1, -1):
            found = linprog([sign * offset, sign * drift], A_ub=self.rows, b_ub=self.limits,
                            bounds=[(None, None), (-0.2, 0.2)])  # fmt: skip
            assert found.success
            ends.append(sign * found.fun)
        return ends[0], ends[1]


def test_the_extent_is_that_of_a_linear_programme() -> None:
    """scipy's solver (HiGHS) is given the same half-planes: least and most offset and drift agree."""
    pytest.importorskip("scipy.optimize", reason="scipy is not installed")
    rng = random.Random(7)
    for _ in range(40):
        stamps = some_stamps(rng)
        region = region_of(stamps, 200)
        assert region is not None
        planes = Planes(stamps, region)
        for at_s in (-5.0, 0.0, 100.0):
            found = region.relative_at(region.origin_ns + round(at_s * S))
            assert (found.low / MS, found.high / MS) == pytest.approx(planes.extent(1.0, at_s), abs=1e-4)
        told = region.drift_ppm()
        assert (told.low / 1e3, told.high / 1e3) == pytest.approx(planes.extent(0.0, 1.0), abs=1e-6)


def test_the_order_of_readings_does_not_matter() -> None:
    stamps = [Stamp(t * S, t * S + 30 * MS, (t * S + 400 * MS) // S * S, S) for t in (0, 3, 7, 8, 20)]
    ends = []
    for order in (stamps, stamps[:1] + stamps[:0:-1]):
        region = region_of(order, 200)
        assert region is not None
        ends.append(region.offset_at(25 * S))
    assert ends[0] == pytest.approx(ends[1], abs=1e-3)


TRIANGLE = ((0.0, 0.0), (10.0, 0.0), (0.7, 9.3))


@pytest.mark.parametrize(
    ("limit", "left"),
    [
        (0.0, TRIANGLE),
        (-1.0, TRIANGLE),
        (0.5, ((0.5, 0.0), (10.0, 0.0), (0.7, 9.3), (0.5, 9.3 / 0.7 * 0.5))),
        (0.7, ((0.7, 0.0), (10.0, 0.0), (0.7, 9.3), (0.7, 9.3))),
        (5.0, ((5.0, 0.0), (10.0, 0.0), (5.0, 5.0))),
        (10.0, ((10.0, 0.0), (10.0, 0.0), (10.0, 0.0))),
        (10.1, ()),
    ],
)
def test_a_polygon_is_cut_at_a_line(limit: float, left: tuple[tuple[float, float], ...]) -> None:
    """What lies to the right of offset = limit, corner by corner (by hand); a corner on the line is kept."""
    assert [one for corner in _clip(TRIANGLE, 1.0, 0.0, limit) for one in corner] == pytest.approx(
        [one for corner in left for one in corner]
    )
    assert _clip((), 1.0, 0.0, limit) == ()


def test_a_polygon_is_cut_by_offset_and_drift_together() -> None:
    """offset + 2 * drift >= 12 leaves the upper corner of the triangle (by hand)."""
    cut = _clip(TRIANGLE, 1.0, 2.0, 12.0)
    assert [one for corner in cut for one in corner] == pytest.approx(
        [8.0, 2.0, 0.7, 9.3, 0.7 * 12 / 19.3, 9.3 * 12 / 19.3]
    )
