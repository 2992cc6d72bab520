"""What a series of clock readings amounts to: steady, torn, jumped, stopped, cached."""

import math
import random
from datetime import UTC, datetime

import pytest

from probe.judge.clock_region import ClockRegion, Stamp, region_of
from probe.judge.clock_track import Behaviour, _leads, is_torn, jump_ns, track

S = 1_000_000_000
MS = 1_000_000


def ns(*when: int) -> int:
    return int(datetime(*when, tzinfo=UTC).timestamp()) * S  # type: ignore[arg-type, misc]


def stamp_at(local: int, offset: int, trip: int = 10 * MS, q: int = S) -> Stamp:
    """A reading made at the middle of its round trip."""
    return Stamp(local - trip // 2, local + trip // 2, (local + offset) // q * q, q)


def test_one_reading_leaves_its_step_and_its_round_trip() -> None:
    region = ClockRegion.of_first(Stamp(0, 20 * MS, 5 * S, S), drift_bound_ppm=0)
    assert region.offset_at(0) == pytest.approx((5 * S - 20 * MS, 6 * S), abs=10)


def test_readings_intersect() -> None:
    stamps = [stamp_at(i * 1_300 * MS, offset=250 * MS) for i in range(10)]
    region = region_of(stamps, 100)
    assert region is not None
    bounds = region.offset_at(stamps[-1].received_ns)
    assert bounds.low <= 250 * MS <= bounds.high
    assert bounds.width < 130 * MS


def test_steady_clock_counts_all() -> None:
    found = track([stamp_at(i * 1_370 * MS, offset=-3 * S) for i in range(8)], 100)
    assert found.behaviour is Behaviour.STEADY
    assert found.counted == tuple(range(8))


def test_jump_is_told_and_the_last_stretch_counts() -> None:
    before = [stamp_at(i * 1_100 * MS, offset=0) for i in range(5)]
    after = [stamp_at(6 * S + i * 1_100 * MS, offset=3_600 * S) for i in range(4)]
    found = track(before + after, 100)
    assert found.behaviour is Behaviour.JUMPED
    assert found.jumps == (5,)
    assert found.region is not None
    assert found.region.offset_at(10 * S).low > 3_598 * S


def test_too_few_after_a_change_are_not_explained_away() -> None:
    before = [stamp_at(i * 1_100 * MS, offset=0) for i in range(5)]
    found = track([*before, stamp_at(6 * S, offset=50 * S)], 100)
    assert found.behaviour is Behaviour.UNSETTLED


def test_stopped_clock() -> None:
    assert track([Stamp(i * S, i * S + MS, 7 * S, S) for i in range(4)], 100).behaviour is Behaviour.STOPPED


def test_a_clock_asked_twice_within_its_step_has_not_stopped() -> None:
    assert track([stamp_at(100 * MS, 0), stamp_at(200 * MS, 0)], 100).behaviour is Behaviour.STEADY


def test_cached_stamps_give_a_lower_bound_only() -> None:
    """A gateway that renews its copy every 5 s; the clock itself is right."""
    stamps = [Stamp(t, t + 5 * MS, t // (5 * S) * 5 * S, S) for t in range(0, 20 * S, 1_500 * MS)]
    found = track(stamps, 100)
    assert found.behaviour is Behaviour.CACHED
    assert found.region is None
    assert found.lower_bound_ns is not None
    assert found.lower_bound_ns <= 0


@pytest.mark.parametrize(
    ("torn", "around"),
    [
        ((2026, 3, 14, 9, 26, 0), (2026, 3, 14, 9, 27, 0)),  # seconds new, minute old
        ((2026, 3, 14, 9, 27, 59), (2026, 3, 14, 9, 27, 0)),  # minute new, seconds old
        ((2027, 12, 31, 23, 59, 59), (2027, 1, 1, 0, 0, 0)),  # year new, all else old
        ((2026, 3, 15, 23, 59, 59), (2026, 3, 15, 0, 0, 0)),  # date new, time old
    ],
)
def test_torn_stamp_is_recognised_and_set_aside(torn: tuple[int, ...], around: tuple[int, ...]) -> None:
    rollover = ns(*around)
    base = rollover - 3 * S
    good = [stamp_at(i * 700 * MS, offset=base) for i in range(4)]
    bad = Stamp(3_000 * MS - 5 * MS, 3_000 * MS + 5 * MS, ns(*torn), S)
    later = [stamp_at(3_500 * MS + i * 700 * MS, offset=base) for i in range(3)]
    found = track([*good, bad, *later], 100)
    assert found.torn == (4,)
    assert found.behaviour is Behaviour.STEADY
    assert 4 not in found.counted


def test_torn_first_reading_is_no_jump() -> None:
    base = ns(2026, 3, 14, 9, 27, 0)
    bad = Stamp(-5 * MS, 5 * MS, ns(2026, 3, 14, 9, 26, 0), S)
    found = track([bad, *(stamp_at(300 * MS + i * 700 * MS, offset=base) for i in range(4))], 100)
    assert found.torn == (0,)
    assert not found.jumps


def test_a_wrong_stamp_that_is_no_mixture_is_not_called_torn() -> None:
    base = ns(2026, 3, 14, 9, 26, 57)
    good = [stamp_at(i * 700 * MS, offset=base) for i in range(4)]
    odd = Stamp(2_900 * MS, 2_910 * MS, ns(2026, 3, 14, 9, 41, 0), S)
    found = track([*good, odd, stamp_at(3_600 * MS, offset=base)], 100)
    assert found.stray == (4,)
    assert not is_torn(odd, region_of(good, 100))  # type: ignore[arg-type]


def test_drift_is_bounded_by_the_readings_alone() -> None:
    """A clock that gains 80 ppm, read over an hour: bounds hold it and are narrower than what was assumed."""
    rng, stamps, t = random.Random(5), [], 0
    while t < 3_600 * S:
        trip = rng.randrange(4 * MS, 30 * MS)
        shown = math.floor((t + trip * rng.random()) * (1 + 80e-6) / S) * S
        stamps.append(Stamp(t, t + trip, shown, S))
        t += rng.randrange(20 * S, 70 * S)
    region = region_of(stamps, 500)
    assert region is not None
    drift = region.drift_ppm()
    assert drift.low <= 80 <= drift.high
    assert drift.width < 120


@pytest.mark.parametrize(
    ("lead_ns", "leads"),
    [(-50 * MS, False), (0, False), (1, True), (50 * MS, True), (1_100 * MS, True), (1_100 * MS + 1, False)],
)
def test_a_stamp_leads_by_a_step_and_its_round_trip_at_most(lead_ns: int, leads: bool) -> None:
    """5 s ahead and 2 ns for rounding; then a reading of 100 ms round trip and a step of a second."""
    region = region_of([Stamp(0, 0, 5 * S, 0)], 1e-9)
    assert region is not None
    received = 7 * S + 100 * MS
    late = Stamp(7 * S, received, received + 5 * S + 2 + lead_ns, S)
    assert _leads(late, region) is leads


# -- standing, copies, setting back -------------------------------------------------------------------------


def seen_again(after_ms: int) -> list[Stamp]:
    """A stamp of a step of one second that is seen twice: asked for again so long after."""
    return [Stamp(-5 * MS, 0, 7 * S, S), Stamp(after_ms * MS, (after_ms + 5) * MS, 7 * S, S)]


@pytest.mark.parametrize(
    ("after_ms", "behaviour"),
    [(1_020, Behaviour.STEADY), (1_040, Behaviour.UNSETTLED), (1_041, Behaviour.STOPPED)],
)
def test_a_slow_clock_may_stand_for_a_step_and_its_drift(after_ms: int, behaviour: Behaviour) -> None:
    """20,000 ppm slow: a step takes 1.0204 s at most; only beyond twice the bound does it stand."""
    assert track(seen_again(after_ms), 20_000).behaviour is behaviour


def test_a_stamp_that_stands_and_then_moves_on_is_a_copy() -> None:
    """The greatest v - t4 is that of the first sighting; a later stamp is older still."""
    found = track([*seen_again(1_500), Stamp(2 * S, 2_005 * MS, 8 * S, S)], 100)
    assert found.behaviour is Behaviour.CACHED
    assert found.lower_bound_ns == 7 * S
    assert (found.region, found.counted, found.torn) == (None, (), ())


def test_a_clock_that_stands_after_it_contradicted_itself_is_no_stopped_clock() -> None:
    odd = [Stamp(0, MS, 90 * S, S), Stamp(S, S + MS, 40 * S, S)]
    stood = [Stamp(t * S, t * S + MS, 95 * S, S) for t in (3, 5, 7)]
    assert track(odd + stood, 100).behaviour is Behaviour.CACHED
    ran = [Stamp(0, MS, 90 * S, S), Stamp(S, S + MS, 91 * S, S)]
    assert track(ran + stood, 100).behaviour is Behaviour.STOPPED


@pytest.mark.parametrize(("back_s", "behaviour"), [(30, Behaviour.JUMPED), (2, Behaviour.CACHED)])
def test_a_clock_that_was_set_back_shows_old_stamps_again(back_s: int, behaviour: Behaviour) -> None:
    """Back by many steps is a jump; back by two steps may be an older copy just as well."""
    before = [stamp_at(i * S + 500 * MS, offset=0) for i in range(40)]
    after = [stamp_at(i * S + 500 * MS, offset=-back_s * S) for i in range(40, 46)]
    found = track(before + after, 100)
    assert found.behaviour is behaviour


def test_a_stamp_ahead_of_all_others_by_less_than_a_step_makes_copies_of_them() -> None:
    """Known to a millisecond, then one that is 0.5 s ahead: the others were old copies."""
    good = [Stamp(t, t + MS, t // S * S, S) for t in (900 * MS, 1_999 * MS, 3_000 * MS, 4_500 * MS)]
    ahead = Stamp(5_500 * MS, 5_501 * MS, 6 * S, S)
    later = [Stamp(t, t + MS, t // S * S, S) for t in (6_700 * MS, 7_800 * MS)]
    found = track([*good, ahead, *later], 100)
    assert found.behaviour is Behaviour.CACHED
    assert found.lower_bound_ns == 499 * MS


@pytest.mark.parametrize("late_ms", [60_300, 60_700])
def test_a_torn_stamp_bounds_nothing_of_a_clock_read_from_memory(late_ms: int) -> None:
    """Known for a memory by a stamp that is ahead, or by one that is seen for too long as well."""
    base = ns(2026, 3, 14, 9, 26, 0)
    good = [Stamp(t, t + MS, base + t // S * S, S) for t in (900 * MS, 1_999 * MS, 3_000 * MS, 4_500 * MS)]
    torn = Stamp(59_400 * MS, 59_401 * MS, base + 119 * S, S)  # the new minute beside the old second
    ahead = Stamp(59_500 * MS, 59_501 * MS, base + 60 * S, S)
    later = [Stamp(t, t + MS, base + t // S * S, S) for t in (late_ms * MS, 61_800 * MS)]
    found = track([*good, torn, ahead, *later], 100)
    assert found.behaviour is Behaviour.CACHED
    assert found.torn == (4,)
    assert found.lower_bound_ns == base + 499 * MS


# -- jumps --------------------------------------------------------------------------------------------------


def exact(local_ms: int, offset_ms: int, q: int = S) -> Stamp:
    """A reading without a round trip."""
    local = local_ms * MS
    return Stamp(local, local, (local + offset_ms * MS) // q * q, q)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("leap_ms", "behaviour"),
    [(1_500, Behaviour.UNSETTLED), (2_500, Behaviour.JUMPED), (60_000, Behaviour.JUMPED)],
)
def test_a_jump_of_fewer_than_two_steps_is_not_told_from_copies(
    sign: int, leap_ms: int, behaviour: Behaviour
) -> None:
    before = [exact(1_000 * i + 137 * i, 0) for i in range(12)]
    after = [exact(20_000 + 1_000 * i + 137 * i, sign * leap_ms) for i in range(12)]
    found = track(before + after, 100)
    assert found.behaviour is behaviour
    assert found.jumps == (12,)
    assert jump_ns(before + after, found, 100) == pytest.approx(sign * leap_ms * MS, abs=300 * MS)


def test_the_last_jump_of_several_is_told() -> None:
    stamps = [exact(1_137 * i, 0) for i in range(6)]
    stamps += [exact(8_000 + 1_137 * i, 3_600_000) for i in range(6)]
    stamps += [exact(16_000 + 1_137 * i, 3_500_000) for i in range(6)]
    found = track(stamps, 100)
    assert found.jumps == (6, 12)
    assert found.counted == tuple(range(12, 18))
    assert jump_ns(stamps, found, 100) == pytest.approx(-100 * S, abs=400 * MS)


def test_without_a_jump_nothing_has_leapt() -> None:
    stamps = [exact(1_137 * i, 0) for i in range(6)]
    assert jump_ns(stamps, track(stamps, 100), 100) == 0
    stood = seen_again(5_000)
    assert jump_ns(stood, track(stood, 100), 100) == 0


@pytest.mark.parametrize(("count", "behaviour"), [(2, Behaviour.UNSETTLED), (3, Behaviour.JUMPED)])
def test_three_readings_that_agree_make_a_jump(count: int, behaviour: Behaviour) -> None:
    before = [exact(1_137 * i, 0) for i in range(5)]
    after = [exact(7_000 + 1_137 * i, 90_000) for i in range(count)]
    found = track(before + after, 100)
    assert found.behaviour is behaviour
    assert found.counted == (tuple(range(5)) if count == 2 else (5, 6, 7))


def test_three_readings_that_do_not_agree_with_each_other_make_none() -> None:
    before = [exact(1_137 * i, 0) for i in range(5)]
    apart = [exact(7_000 + 1_137 * i, 90_000 * (i + 1)) for i in range(4)]
    found = track(before + apart, 100)
    assert (found.behaviour, found.counted, found.jumps) == (Behaviour.UNSETTLED, (0, 1, 2, 3, 4), ())


def test_an_odd_one_between_is_set_aside_when_the_jump_is_known() -> None:
    before = [exact(1_137 * i, 0) for i in range(5)]
    odd = exact(6_000, 500_000)
    after = [exact(7_000 + 1_137 * i, 90_000) for i in range(3)]
    found = track([*before, odd, *after], 100)
    assert (found.behaviour, found.jumps, found.stray) == (Behaviour.JUMPED, (6,), (5,))
    assert found.counted == (6, 7, 8)


def test_one_odd_reading_at_the_start_is_set_aside_and_no_jump() -> None:
    found = track([exact(0, 500_000), *(exact(1_000 + 1_137 * i, 0) for i in range(4))], 100)
    assert (found.behaviour, found.stray, found.jumps) == (Behaviour.STEADY, (0,), ())
    assert found.counted == (1, 2, 3, 4)


def test_no_readings_are_no_clock() -> None:
    found = track([], 100)
    assert (found.behaviour, found.region, found.counted) == (Behaviour.UNSETTLED, None, ())


# -- torn stamps --------------------------------------------------------------------------------------------


def known(at: int, offset: int, *, ppm: float = 1e-6) -> ClockRegion:
    """A clock whose offset is known to 2 ns to either side."""
    region = region_of([Stamp(at, at, at + offset, 0)], ppm)
    assert region is not None
    return region


HALF_PAST = 5 * 3600 * S + 1800 * S  # a zone of half hours


@pytest.mark.parametrize("shift", [0, HALF_PAST])
def test_stamps_are_torn_by_the_fields_on_the_display(shift: int) -> None:
    """The hour is already 10 beside the minute and second of 9:59:59; in UTC that is another stamp."""
    rollover = ns(2026, 3, 14, 10, 0, 0) - shift  # as UTC
    region = known(0, rollover)
    torn = Stamp(0, 5 * MS, rollover + 3_599 * S, S)  # 10:59:59 on the display
    assert is_torn(torn, region, shift)
    if shift:
        assert not is_torn(torn, region, 0)


def test_a_clock_finer_than_a_second_is_torn_by_its_whole_seconds() -> None:
    rollover = ns(2026, 3, 14, 9, 27, 0)
    region = known(0, rollover)
    assert is_torn(Stamp(0, 5 * MS, rollover + 59 * S + 123 * MS, MS), region)
    assert not is_torn(Stamp(0, 5 * MS, rollover + 30 * S + 123 * MS, MS), region)
    assert not is_torn(Stamp(0, 5 * MS, rollover + 123 * MS, MS), region), "the new stamp itself"
    assert not is_torn(Stamp(0, 5 * MS, rollover - 877 * MS, MS), region), "the old stamp itself"


@pytest.mark.parametrize(("trip_s", "torn"), [(18, True), (19, False)])
def test_a_wide_window_says_nothing_of_tearing(trip_s: int, torn: bool) -> None:
    """A step before, a step after and the round trip: 20 steps at most."""
    rollover = ns(2026, 3, 14, 9, 27, 0)
    stamp = Stamp(0, trip_s * S - 100, rollover + 59 * S, S)
    assert is_torn(stamp, known(0, rollover)) is torn


#: Early dates, so that a float holds every nanosecond. 00:02:59: the new minute beside the old second.
AT_TWO = ns(1970, 1, 1, 0, 2, 0)
TORN = AT_TWO + 59 * S


@pytest.mark.parametrize(("more_ns", "torn"), [(0, True), (1, False)])
def test_a_window_of_twenty_steps_still_tells_tearing(more_ns: int, torn: bool) -> None:
    """A step before and after, 2 ns to either side for rounding, and the round trip."""
    stamp = Stamp(0, 18 * S - 4 + more_ns, TORN, S)
    assert is_torn(stamp, known(0, AT_TWO, ppm=1e-12)) is torn


@pytest.mark.parametrize(
    ("from_rollover_ns", "torn"),
    [(-S - 3, False), (-S - 2, True), (0, True), (S + 2, True), (S + 3, False)],
)
def test_the_rollover_must_lie_within_a_step_of_the_reading(from_rollover_ns: int, torn: bool) -> None:
    assert is_torn(Stamp(0, 0, TORN, S), known(0, AT_TWO + from_rollover_ns, ppm=1e-12)) is torn


def test_a_stamp_beyond_the_calendar_is_no_mixture() -> None:
    far = 300_000_000 * 3600 * S
    assert not is_torn(Stamp(0, 5 * MS, far * 10, S), known(0, 0))
