"""Aim: when to ask next. It decides nothing about truth; here it is held to the model that it states."""

import math

import pytest

from probe.judge.clock_aim import _expected_log_width, aim, next_send_ns
from probe.judge.clock_region import Bounds


def by_counting(send: float, half: float, trips: list[float], parts: int = 60) -> float:
    """The mean of the log of the width, by counting evenly spread offsets and instants of reading."""
    total = 0.0
    for trip in trips:
        for i in range(parts):
            x = -half + (i + 0.5) * 2 * half / parts
            for j in range(parts):
                rolled = x >= -(send + (j + 0.5) * trip / parts)
                low = max(-half, min(half, -(send + trip))) if rolled else -half
                high = half if rolled else max(-half, min(half, -send))
                total += math.log(max(high - low, 1.0)) / parts**2
    return total / len(trips)


@pytest.mark.parametrize("send", [-1900.0, -900.0, -300.0, 0.0, 400.0])
@pytest.mark.parametrize("trips", [[10.0], [600.0], [300.0, 1500.0]])
def test_the_expected_width_is_that_of_counting(send: float, trips: list[float]) -> None:
    assert _expected_log_width(send, 1000.0, trips) == pytest.approx(
        by_counting(send, 1000.0, trips), abs=0.02
    )


def test_an_instant_splits_the_window_where_it_is_read() -> None:
    """No round trip: the half at the middle's rollover, all of it at an end."""
    assert _expected_log_width(0.0, 1000.0, [0.0]) == pytest.approx(math.log(1000))
    assert _expected_log_width(500.0, 1000.0, [0.0]) == pytest.approx(
        0.75 * math.log(1500) + 0.25 * math.log(500)
    )
    assert _expected_log_width(1000.0, 1000.0, [0.0]) == pytest.approx(math.log(2000))


@pytest.mark.parametrize("trips", [[10.0], [1500.0], [300.0, 1500.0], [4000.0]])
def test_no_instant_is_much_better_than_the_one_chosen(trips: list[float]) -> None:
    chosen = by_counting(aim(Bounds(5000.0, 7000.0), trips), 1000.0, trips)
    others = [by_counting(-5000.0 + 250 * i, 1000.0, trips) for i in range(41)]
    assert chosen <= min(others) + 0.03


def test_the_next_request_is_aimed_and_not_before_its_time() -> None:
    """A clock 0.3 s ahead rolls over at 0.7 s of local time; half a round trip before is aimed."""
    sent = next_send_ns(Bounds(299_999_000, 300_001_000), 10**9, [200.0], 5 * 10**9)
    assert sent == pytest.approx(5_700_000_000 - 100, abs=200)
    assert next_send_ns(Bounds(299_999_000, 300_001_000), 10**9, [200.0], sent + 1) > sent + 900_000_000
