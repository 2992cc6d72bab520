"""Aim: when to ask next. It decides nothing about truth; here it is held to the model that it states."""

import math

import pytest

from probe.judge import clock_aim
from probe.judge.clock_aim import _chance_rolled, _expected_log_width, aim, next_send_ns
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


def test_the_instants_tried_are_spread_over_all_that_can_tell_something(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """25 evenly from half the window and the longest round trip before the rollover to as much after it, and
    half of each round trip before it."""
    tried: list[float] = []

    def worse_later(send: float, half: float, trips: list[float]) -> float:
        tried.append(send)
        assert (half, trips) == (500.0, [40.0, 100.0])
        return abs(send - 150.0)

    monkeypatch.setattr(clock_aim, "_expected_log_width", worse_later)
    assert aim(Bounds(2000.0, 3000.0), [40.0, 100.0]) == 150.0
    assert tried == [*(-600.0 + 50.0 * i for i in range(25)), -20.0, -50.0]


def ramp(send: float, end: float, half: float, parts: int = 20_000) -> float:
    """Mean over u in [send, end] of P(x >= -u), x even in [-half, half], by counting."""
    instants = [send + (end - send) * (i + 0.5) / parts for i in range(parts)]
    return sum(max(0.0, min(1.0, (u + half) / (2 * half))) for u in instants) / parts


@pytest.mark.parametrize(
    ("send", "end"),
    [(-300, -200), (-150, -50), (-50, 50), (50, 150), (150, 250), (-150, 150), (-100, 100), (0, 40)],
)
def test_the_chance_to_have_rolled_is_that_of_counting(send: float, end: float) -> None:
    assert _chance_rolled(send, end, 100.0) == pytest.approx(ramp(send, end, 100.0), abs=1e-4)


@pytest.mark.parametrize(
    ("instant", "chance"),
    [(-150, 0.0), (-100, 0.0), (-50, 0.25), (0, 0.5), (50, 0.75), (100, 1.0), (150, 1.0)],
)
def test_the_chance_at_one_instant_is_a_ramp(instant: float, chance: float) -> None:
    assert _chance_rolled(instant, instant, 100.0) == chance


def test_a_window_of_a_few_nanoseconds_is_a_ramp_too() -> None:
    assert [_chance_rolled(u, u, 1.0) for u in (-1.0, 0.5, 1.0)] == [0.0, 0.75, 1.0]


def test_where_nothing_is_left_to_know_either_may_be() -> None:
    assert _chance_rolled(-1.0, 3.0, 0.0) == 0.5
    assert _expected_log_width(0.0, 0.0, [10.0]) == 0.0, "a width below a nanosecond counts as one"


@pytest.mark.parametrize("earliest", [0, 1, 699_999_900, 700_000_000, 5 * 10**9 + 12_345])
@pytest.mark.parametrize("step", [10**9, 10**6, 60 * 10**9])
def test_the_next_well_aimed_instant_is_the_first_that_is_not_too_early(earliest: int, step: int) -> None:
    """The middle of the offset rolls over at (k * step - middle); the aim is one lead from it."""
    window = Bounds(299_999_000.0, 300_001_000.0)
    lead = aim(window, [200.0])
    sent = next_send_ns(window, step, [200.0], earliest)
    assert earliest <= sent < earliest + step + 1
    away = (sent - lead + window.middle) % step
    assert min(away, step - away) <= 1
