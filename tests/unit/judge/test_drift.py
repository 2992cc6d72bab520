"""Changes of a series and forecasts of clocks, against their promises and a general-purpose library."""

from __future__ import annotations

import random
from math import exp, inf

import pytest

from probe.judge.drift.change import _Bet, changes
from probe.judge.drift.forecast import DAY_S, Offset, _since_set, forecast

stats = pytest.importorskip("scipy.stats", reason="scipy is not installed")


@pytest.mark.parametrize(("known", "count"), [(8, 9), (20, 23), (20, 40), (9, 200)])
def test_every_bet_is_fair(known: int, count: int) -> None:
    """While all ranks are equally likely, a stake is expected to stay what it is."""
    stakes = []
    for rank in range(1, count + 1):
        bet = _Bet(0, known)
        bet.take(rank, count)
        stakes.append(sum(bet.stakes))
    assert sum(stakes) / count == pytest.approx(1.0)


def test_false_alarms_are_no_more_frequent_than_promised() -> None:
    rng = random.Random(11)
    runs, first = 25, []
    for _ in range(120):
        series = [rng.lognormvariate(0, 1.5) for _ in range(300)]
        found = changes(series, runs=runs)
        first.append(found[0].at + 1 if found else len(series))
    assert sum(first) / len(first) >= runs


@pytest.mark.parametrize(("shift", "most"), [(4.0, 7), (-4.0, 7), (2.0, 40)])
def test_a_change_is_found_with_its_begin(shift: float, most: int) -> None:
    for seed in range(10):
        rng = random.Random(seed)
        series = [rng.gauss(0, 1) for _ in range(100)] + [rng.gauss(shift, 1) for _ in range(60)]
        late = [change for change in changes(series, runs=20_000) if change.at >= 100]
        assert late
        assert late[0].at < 100 + most
        assert late[0].up is (shift > 0)
        if abs(shift) > 3:
            assert abs(late[0].since - 100) <= 2
            assert late[0].before == pytest.approx(0, abs=0.5)
            assert late[0].after == pytest.approx(shift, abs=1.5)


def test_the_scale_tells_nothing() -> None:
    rng = random.Random(3)
    series = [rng.gauss(0, 1) for _ in range(60)] + [rng.gauss(3, 1) for _ in range(30)]
    plain = [(c.at, c.since) for c in changes(series, runs=1000)]
    assert plain
    assert [(c.at, c.since) for c in changes([exp(v) for v in series], runs=1000)] == plain


def test_what_is_no_change() -> None:
    rng = random.Random(5)
    calm = [rng.gauss(20, 1) for _ in range(150)]
    assert changes([*calm[:100], 4000.0, *calm[100:]], runs=20_000) == ()
    assert changes([7.0] * 500, runs=100) == ()
    assert changes([7.0, 7.1] * 250, runs=100) == ()
    assert changes([], runs=100) == ()


def offsets(rate_s_per_day: float, days: int, *, noise: float = 0.0, start: float = 0.0) -> list[Offset]:
    rng = random.Random(2)
    told = []
    for day in range(days):
        middle = start + rate_s_per_day * day + rng.gauss(0, noise)
        told.append(Offset(day * DAY_S, middle - 0.01, middle + 0.01))
    return told


def test_the_rate_is_that_of_the_library() -> None:
    """Source: scipy.stats.theilslopes (Sen's slope and its bounds by Kendall's statistic)."""
    told = offsets(0.02, 60, noise=0.05)
    made = forecast(told, 3.0)
    assert made is not None
    slope, _, low, high = stats.theilslopes([(o.low_s + o.high_s) / 2 for o in told], [o.at_s for o in told])
    rate, rate_low, rate_high = (one / DAY_S for one in made.rate_s_per_day)
    assert rate == pytest.approx(slope, rel=1e-3)
    assert rate_low == pytest.approx(low, rel=0.02)
    assert rate_high == pytest.approx(high, rel=0.02)


def test_the_date_holds_the_true_one() -> None:
    held = 0
    for seed in range(40):
        rng = random.Random(seed)
        rate = rng.choice([-1, 1]) * rng.uniform(0.005, 0.05)
        told = [
            Offset(day * DAY_S, m - 0.02, m + 0.02)
            for day in range(60)
            for m in [rate * day + rng.gauss(0, 0.02)]
        ]
        made = forecast(told, 5.0)
        assert made is not None
        true_s = 5.0 / abs(rate) * DAY_S
        held += made.earliest_s - DAY_S <= true_s <= made.latest_s + DAY_S * 2
    assert held >= 34  # 95 % of 40 is 38; a binomial count of 40 at 95 % is below 34 once in 1,000


def test_a_clock_that_was_set_begins_anew() -> None:
    told = offsets(0.1, 40)
    told = [*told[:25], *(o._replace(low_s=o.low_s - 90, high_s=o.high_s - 90) for o in told[25:])]
    made = forecast(told, 100.0)
    assert made is not None
    assert made.runs == 15
    assert made.rate_s_per_day[0] == pytest.approx(0.1, rel=0.01)


def test_a_steady_clock_leaves_nothing_for_certain() -> None:
    made = forecast(offsets(0.0, 50, noise=0.05), 1.0)
    assert made is None or made.latest_s == inf
    assert forecast(offsets(1.0, 4), 1.0) is None
    outside = forecast(offsets(1.0, 10), 3.0)
    assert outside is not None
    assert outside.earliest_s == 9 * DAY_S


def test_offsets_count_since_the_clock_was_last_set() -> None:
    """A step that no drift of the bound explains begins anew; one that it just explains does not."""
    at = [Offset(100.0 * n, 0.0, 0.1) for n in range(3)]
    assert _since_set(at, 1e-3) == at
    ahead = [*at, Offset(300.0, 0.3, 0.4), Offset(400.0, 0.3, 0.4)]  # at least 0.2 s in 100 s
    assert _since_set(ahead, 1e-3) == ahead[3:]
    assert _since_set(ahead, 2.5e-3) == ahead
    behind = [*at, Offset(300.0, -0.3, -0.2), Offset(400.0, -0.3, -0.2)]
    assert _since_set(behind, 1e-3) == behind[3:]
    assert _since_set(behind, 2.5e-3) == behind
