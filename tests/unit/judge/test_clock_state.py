"""When a clock will have left its tolerance, and what a reading shows."""

import math

import pytest

from probe.judge.clock_reading import shown_s
from probe.judge.clock_state import leaves
from probe.judge.limit import Interval
from probe.model.clock_codec import make_clock
from probe.model.profile import Area, Point
from probe.model.reading import Quality, Reading

POINT = Point(
    name="clock", title="Clock", area=Area.HOLDING, start=0, count=6, type="clock", order="",
    decoder=make_clock("ymdhms"),
)  # fmt: skip
DATE = bytes.fromhex("07ea 0003 0004 000a 000f 001e")  # 2026-03-04 10:15:30
DATE_S = 1_772_619_330.0  # Unix seconds of it, by GNU date


@pytest.mark.parametrize(
    ("offset", "drift_ppm", "earliest_s", "latest_s"),
    [
        ((-0.1, 0.1), (5, 10), 40_000, 120_000),  # 0.4 s at 10 ppm; 0.6 s at 5 ppm
        ((-0.1, 0.1), (-10, -5), 40_000, 120_000),
        ((-0.2, 0.1), (-10, 5), 30_000, math.inf),  # 0.3 s downward at 10 ppm before 0.4 s upward at 5
        ((-0.1, 0.2), (-5, 10), 30_000, math.inf),
        ((-0.1, 0.1), (0, 0), math.inf, math.inf),
        ((-0.1, 0.1), (0, 10), 40_000, math.inf),
        ((-0.1, 0.1), (-10, 0), 40_000, math.inf),
        ((-0.5, 0.5), (5, 10), 0, 200_000),
    ],
)
def test_when_the_tolerance_is_left(
    offset: tuple[float, float], drift_ppm: tuple[float, float], earliest_s: float, latest_s: float
) -> None:
    """Seconds = room in seconds / (ppm / 1e6); 0.5 s of tolerance (computed by hand)."""
    found = leaves(Interval(*offset), Interval(*drift_ppm), 0.5)
    assert found == pytest.approx((earliest_s, latest_s))


@pytest.mark.parametrize("offset", [(-0.6, 0.1), (-0.1, 0.6)])
def test_a_tolerance_that_is_not_surely_kept_is_not_left(offset: tuple[float, float]) -> None:
    assert leaves(Interval(*offset), Interval(1, 2), 0.5) is None


def reading(value: float | None, quality: Quality) -> Reading:
    return Reading("F1", "clock", value, quality, DATE, 0, 1, 1, 0)


def test_what_a_clock_shows_is_its_number_or_the_date_that_it_marks_itself() -> None:
    assert shown_s(reading(DATE_S, Quality.GOOD), POINT) == DATE_S
    assert shown_s(reading(None, Quality.NOT_AVAILABLE), POINT) == DATE_S
    assert shown_s(reading(None, Quality.OUT_OF_TYPE), POINT) is None
    assert shown_s(reading(None, Quality.GOOD), POINT) is None
