"""How far apart stamps must be: against every pair by brute force, and against simulated events."""

from __future__ import annotations

import random
from itertools import combinations

import pytest

from probe.judge.clock_fleet import Fleet, Member, fleet_of, needs
from probe.judge.clock_region import Stamp, region_of
from probe.judge.clock_state import ClockState
from probe.judge.clock_track import Behaviour
from probe.judge.limit import Interval

S = 1_000_000_000


def state(tag: str, low_s: float, high_s: float, step_s: float = 1.0, **changes: object) -> ClockState:
    """A clock whose offset against this computer lies in these bounds (without drift, to compare exactly)."""
    at = 10 * S
    stamp = Stamp(at, at, at + 1_773_480_413 * S + round(low_s * S), round((high_s - low_s) * S))
    facts = {
        "tag": tag, "resolution_s": step_s, "tolerance_s": 2.0, "behaviour": Behaviour.STEADY, "readings": 3,
        "at_ns": at, "region": region_of([stamp], 1e-6),
    } | changes  # fmt: skip
    return ClockState(**facts)  # type: ignore[arg-type]


def fleet(*clocks: ClockState) -> Fleet:
    return fleet_of((clock.tag, clock) for clock in clocks)


def test_two_whole_second_clocks_that_agree_need_a_second_and_their_doubt() -> None:
    """Both known to 10 ms: 1 s + 2 x 20 ms at most, here 1 s + 20 ms (same bounds on both sides)."""
    found = fleet(state("A", -0.01, 0.01), state("B", -0.01, 0.01))
    assert found.worst is not None
    assert found.worst.raw_s == pytest.approx(1.02, abs=1e-6)
    assert found.worst.corrected_s == pytest.approx(1.02, abs=1e-6)


def test_an_offset_counts_only_as_long_as_it_is_not_taken_off() -> None:
    found = fleet(state("A", 0.0, 0.02, 0.001), state("B", 42.99, 43.01, 0.001))
    assert found.worst is not None
    assert found.worst.raw_s == pytest.approx(43.011, abs=1e-6)
    assert found.worst.corrected_s == pytest.approx(0.021, abs=1e-6)


def test_the_worst_pair_is_that_of_all_pairs() -> None:
    rng = random.Random(11)
    for _ in range(300):
        clocks = []
        for number in range(rng.randint(2, 9)):
            low = rng.uniform(-3, 3)
            clocks.append(state(f"T{number}", low, low + rng.uniform(0, 1), rng.choice((0.001, 1.0, 60.0))))
        found = fleet(*clocks)
        every = [needs(a, b).raw_s for a, b in combinations(found.members, 2)]
        assert found.worst is not None
        assert found.worst.raw_s == pytest.approx(max(every))
        assert len(found.pairs) == len(every)


def test_clocks_that_are_no_running_clock_are_left_out_with_the_reason() -> None:
    lost = state("C", 0, 1, behaviour=Behaviour.CACHED, region=None)
    blank = state("D", 0, 1, behaviour=Behaviour.UNSETTLED, readings=0, region=None)
    found = fleet_of([("A", state("A", 0, 0.1)), ("B", None), ("C", lost), ("D", blank)])
    assert [member.tag for member in found.members] == ["A"]
    assert found.worst is None
    assert found.left_out == {"B": "not measured", "C": "cached", "D": "shows no possible date"}


def test_no_clock_at_all() -> None:
    assert fleet_of([]).worst is None


def test_large_lineups_have_a_worst_pair_and_no_list_of_all() -> None:
    clocks = [state(f"T{n}", n / 1000, n / 1000 + 0.01) for n in range(700)]
    found = fleet(*clocks)
    assert found.worst is not None
    assert {found.worst.first, found.worst.second} == {"T0", "T699"}
    assert found.pairs == ()
    assert 1.0 < found.median_s < found.worst.raw_s


def test_stamps_further_apart_than_needed_never_lie_about_the_order() -> None:
    """3,000 pairs of events stamped by clocks somewhere in their bounds; about all differences occur."""
    rng = random.Random(3)
    told = 0
    for _ in range(3000):
        lows = [rng.uniform(-1, 1), rng.uniform(-1, 1)]
        widths = [rng.uniform(0, 0.4), rng.uniform(0, 0.4)]
        steps = [rng.choice((0.01, 1.0)), rng.choice((0.01, 1.0))]
        found = fleet(
            *(state(t, lo, lo + w, s) for t, lo, w, s in zip("AB", lows, widths, steps, strict=True))
        )
        assert found.worst is not None
        events = [rng.uniform(0, 4), rng.uniform(0, 4)]
        stamps = [
            (event + low + rng.uniform(0, width)) // step * step
            for event, low, width, step in zip(events, lows, widths, steps, strict=True)
        ]
        if abs(stamps[0] - stamps[1]) >= found.worst.raw_s + 1e-6:
            told += 1
            assert (stamps[0] < stamps[1]) == (events[0] < events[1])
    assert told > 300


def test_the_fleet_holds_for_the_last_reading_of_all() -> None:
    assert fleet(state("A", 0, 0.1, at_ns=7), state("B", 0, 0.1, at_ns=9)).at_ns == 9


def test_a_stamp_bounds_the_event_by_offset_and_step() -> None:
    """A clock 0.2 to 0.5 s ahead, of one second: what it stamps 0 happened in [-0.5, 0.8)."""
    member = Member("A", Interval(0.2, 0.5), 1.0)
    assert member.window == pytest.approx((-0.5, 0.8))
    assert member.centred.offset == pytest.approx((-0.15, 0.15))
    assert (member.centred.tag, member.centred.step_s) == ("A", 1.0)


def test_the_need_of_a_pair_is_written_with_both_names() -> None:
    """1 + (0.1 + 0.5) the one way, 0.01 + (0.5 - 0.4) the other; centred: 1 + 0.05 + 0.05."""
    pair = needs(Member("A", Interval(-0.5, -0.4), 1.0), Member("B", Interval(0.0, 0.1), 0.01))
    assert (pair.first, pair.second) == ("A", "B")
    assert (pair.raw_s, pair.corrected_s) == pytest.approx((1.6, 1.1))


def test_offsets_stand_on_the_scale_of_the_first_clock() -> None:
    found = fleet(state("A", 0.0, 0.02), state("B", 42.99, 43.01, 0.001))
    assert [one.offset for one in found.members] == [
        pytest.approx((0.0, 0.02), abs=1e-8),
        pytest.approx((42.99, 43.01), abs=1e-8),
    ]
    assert [one.step_s for one in found.members] == [1.0, 0.001]


def test_a_clock_that_was_read_before_is_less_sure_by_its_drift() -> None:
    """Exact at 10 s; 100 s later 20 ms to either side at 200 ppm."""
    at, base = 10 * S, 1_773_480_413 * S
    region = region_of([Stamp(at, at, at + base, 0)], 200.0)
    late = state("B", 0, 0, at_ns=110 * S)
    found = fleet(state("A", 0, 0, region=region), late)
    assert found.at_ns == 110 * S
    assert found.members[0].offset == pytest.approx((-0.02, 0.02), abs=1e-7)
    assert found.worst is not None
    assert found.worst.raw_s == pytest.approx(1.02, abs=1e-6)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("days", "left_out"), [(366.0, False), (366.001, True)])
def test_a_clock_of_another_year_orders_nothing(sign: int, days: float, left_out: bool) -> None:
    """A year's length is the most by which a clock may be off and still be compared."""
    off = sign * days * 86_400
    found = fleet(state("A", 0, 0.1), state("B", 0, 0.1, own_s=Interval(off - 0.5, off + 0.5)))
    assert found.left_out == ({"B": "shows another year, or was never set"} if left_out else {})


def test_a_clock_whose_readings_leave_nothing_possible_is_left_out() -> None:
    stamps = [Stamp(0, 0, 0, 0), Stamp(0, 0, 9 * S, 0)]
    found = fleet(state("A", 0, 0.1), state("B", 0, 0.1, region=region_of(stamps, 200)))
    assert found.left_out == {"B": "steady"}
    jumped = fleet(state("A", 0, 0.1), state("B", 0, 0.1, behaviour=Behaviour.JUMPED))
    assert jumped.left_out == {}


@pytest.mark.parametrize(("count", "pairs"), [(300, 300 * 299 // 2), (301, 0)])
def test_up_to_three_hundred_clocks_every_pair_is_listed(count: int, pairs: int) -> None:
    found = fleet(*(state(f"T{n}", 0, 0.01) for n in range(count)))
    assert len(found.pairs) == pairs
    assert len(found.members) == count
    assert found.median_s == pytest.approx(1.01, abs=1e-6)
    assert found.corrected_s == pytest.approx(1.01, abs=1e-6)


def test_one_clock_alone_has_no_pair() -> None:
    found = fleet(state("A", 0, 0.1))
    assert (found.worst, found.pairs, found.median_s, found.corrected_s) == (None, (), 0, 0)


def test_no_clock_has_no_instant() -> None:
    assert fleet_of([]).at_ns == 0


def test_the_worst_pair_stands_in_the_order_of_the_map_whichever_is_ahead() -> None:
    for lows in ((0.0, 5.0), (5.0, 0.0)):
        found = fleet(*(state(tag, low, low + 0.1) for tag, low in zip("ZA", lows, strict=True)))
        assert found.worst is not None
        assert (found.worst.first, found.worst.second) == ("Z", "A")
        assert found.worst.raw_s == pytest.approx(6.1, abs=1e-6)


def test_where_one_clock_is_worst_both_ways_its_best_partner_is_found() -> None:
    """B is the coarsest and the most uncertain: with itself it makes no pair."""
    found = fleet(state("A", 0, 0.1), state("B", -9, 9, 60.0), state("C", -1, 0))
    assert found.worst is not None
    assert {found.worst.first, found.worst.second} == {"A", "B"}
    assert found.worst.raw_s == pytest.approx(60 + 0.1 + 9, abs=1e-6)
