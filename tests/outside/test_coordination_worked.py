"""Crossing currents of two breakers in series, worked by hand and solved apart by scipy.

The bands are written out here as plain formulas, from the settings alone, and their crossing is found by a
general root finder; the program's own search must come to the same amperes.
"""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from scipy.optimize import brentq

from probe.judge.settings.coordination import Overlap, overlaps
from probe.model.protection import Shape
from probe.model.trip_band import Element, TripBand


def long_time(pickup_a: float, delay_s: float, *, clearing: float = 0.05) -> Element:
    """I²t at six times the pickup; pickup -5/+10 %, delay -20/+0 %."""
    return Element(
        function="long_time",
        low_a=0.95 * pickup_a,
        pickup_a=pickup_a,
        high_a=1.10 * pickup_a,
        shape=Shape.I2T,
        delay=delay_s,
        reference_a=6 * pickup_a,
        percent=(-20, 0),
        clearing_s=(0, clearing),
    )


def short_time(pickup_a: float, delay_s: float) -> Element:
    """Flat; pickup +-10 %, delay +-20 ms, clearing up to 50 ms."""
    return Element(
        function="short_time",
        low_a=0.9 * pickup_a,
        pickup_a=pickup_a,
        high_a=1.1 * pickup_a,
        delay=delay_s,
        seconds=(-0.02, 0.02),
        clearing_s=(0, 0.05),
    )


def instantaneous(pickup_a: float) -> Element:
    """Pickup +-10 %, clearing up to 50 ms."""
    return Element(
        function="instantaneous",
        low_a=0.9 * pickup_a,
        pickup_a=pickup_a,
        high_a=1.1 * pickup_a,
        clearing_s=(0, 0.05),
    )


def test_a_feeder_with_i2t_alone_under_a_main_with_short_time() -> None:
    """Main: 2250 A, 12 s, then 9000 A, 0.3 s. Feeder: 800 A, 6 s, nothing else.

    By hand: the main may trip from 0.9 * 9000 = 8100 A on, after 0.28 s. The feeder's latest clearing is
    6 * (4800 / I)² + 0.05; it comes down to 0.28 s at I = 4800 * sqrt(6 / 0.23) = 24516 A. So the two cross
    from 8100 to 24516 A.
    """
    main = TripBand(elements=(long_time(2250, 12), short_time(9000, 0.3)))
    feeder = TripBand(elements=(long_time(800, 6),))
    crossing = brentq(lambda a: 6 * (4800 / a) ** 2 + 0.05 - 0.28, 8100, 42_000)
    assert crossing == pytest.approx(4800 * math.sqrt(6 / 0.23))
    (found,) = overlaps(feeder, main, 42_000)
    assert found.low_a == pytest.approx(8100, rel=1e-6)
    assert found.high_a == pytest.approx(crossing, rel=1e-6)


def test_two_i2t_curves_that_cross_once() -> None:
    """Upper: 1000 A, 2 s at 6000 A. Lower: 600 A, 6 s at 3600 A, steeper in amperes only by its constant.

    Soonest of the upper: 0.8 * 2 * (6000 / I)² = 57.6e6 / I². Latest of the lower: 6 * (3600 / I)² + 0.05 =
    77.76e6 / I² + 0.05: it lies above at every current, so that they cross wherever the upper may trip.
    """
    upper = TripBand(elements=(long_time(1000, 2),))
    lower = TripBand(elements=(long_time(600, 6),))
    (found,) = overlaps(lower, upper, 20_000)
    assert found == pytest.approx(Overlap(950, 20_000), rel=1e-6)


def test_clearing_time_alone_makes_curves_cross_at_high_currents() -> None:
    """Upper: 8 s at 6 * 2000 A. Lower: 6 s at 6 * 1500 A. Without clearing time they never cross.

    0.8 * 8 * (12000 / I)² = 6 * (9000 / I)² + 0.05 at I² = (921.6e6 - 486e6) / 0.05, I = 93338 A.
    """
    upper = TripBand(elements=(long_time(2000, 8),))
    lower = TripBand(elements=(long_time(1500, 6),))
    crossing = brentq(lambda a: 0.8 * 8 * (12_000 / a) ** 2 - (6 * (9000 / a) ** 2 + 0.05), 10_000, 500_000)
    assert crossing == pytest.approx(math.sqrt((921.6e6 - 486e6) / 0.05))
    assert overlaps(lower, upper, 90_000) == ()
    (found,) = overlaps(lower, upper, 200_000)
    assert found.low_a == pytest.approx(crossing, rel=1e-6)
    assert found.high_a == pytest.approx(200_000)


def test_two_instantaneous_releases_cross_where_the_upper_one_picks_up() -> None:
    """Both clear within 50 ms: from 0.9 * 20 kA on the upper one may be first. The fault current ends it."""
    upper = TripBand(elements=(long_time(2250, 12), instantaneous(20_000)))
    lower = TripBand(elements=(long_time(540, 6), instantaneous(4800)))
    assert overlaps(lower, upper, 17_900) == ()
    (found,) = overlaps(lower, upper, 42_000)
    assert found == pytest.approx(Overlap(18_000, 42_000), rel=1e-6)


def test_an_inverse_relay_above_a_fuse_like_curve() -> None:
    """Upper: IEC very inverse, TMS 0.3 at 1200 A, -0/+0. Lower: I²t 6 s at 4800 A with 50 ms of clearing.

    0.3 * 13.5 / (I / 1200 - 1) = 6 * (4800 / I)² + 0.05, solved by scipy; Source of the curve: IEC 60255-151,
    Annex A.
    """
    relay = Element(
        function="long_time", low_a=1200, pickup_a=1200, high_a=1200, shape=Shape.IEC_B, delay=0.3
    )
    upper, lower = TripBand(elements=(relay,)), TripBand(elements=(long_time(800, 6),))

    def gap(a: float) -> float:
        return 0.3 * 13.5 / (a / 1200 - 1) - (6 * (4800 / a) ** 2 + 0.05)

    grid = [1250 * 1.01**n for n in range(280)]
    roots = [brentq(gap, a, b) for a, b in pairwise(grid) if gap(a) * gap(b) < 0 and b < 24_000]
    found = overlaps(lower, upper, 24_000)
    edges = [edge for one in found for edge in one if edge < 23_999]
    assert edges == pytest.approx(roots, rel=1e-6)
    assert roots
