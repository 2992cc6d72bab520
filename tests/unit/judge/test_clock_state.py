"""What all readings of one clock say of it: offset, drift, behaviour, verdict; numbers by hand."""

import math
import random
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from probe.collect.clock_talk import clock_readings as readings_of
from probe.judge.clock_reading import shown_s
from probe.judge.clock_region import Stamp, region_of
from probe.judge.clock_state import ClockState, ClockTerms, clock_state, leaves
from probe.judge.clock_track import Behaviour
from probe.judge.limit import Interval
from probe.judge.reference import Candidate, Reference, Tie
from probe.model.clock_codec import make_clock
from probe.model.finding import Verdict
from probe.model.profile import Area, ClockRule, Point
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


# -- the whole state ----------------------------------------------------------------------------------------

S = 1_000_000_000
RULE = ClockRule(point="clock", zone="utc", resolution_s=1.0)
#: The reference is 10 ms behind to 20 ms ahead of this computer.
LAPTOP = Candidate("laptop", True, fixed=Interval(-0.01, 0.02))
REFERENCE = Reference(name="laptop", usable=True, candidates=(LAPTOP,), members=("laptop",))


def run(reference: Reference = REFERENCE, *, tied: bool = True) -> Any:
    """A run that begins at DATE_S by this computer."""
    return SimpleNamespace(reference=reference, wall_s=lambda at_ns: DATE_S + at_ns / S if tied else None)


def terms(
    tolerance_s: float = 2.0, ppm: float = 200.0, rule: ClockRule | None = RULE, zone: str = "UTC"
) -> ClockTerms:
    profile: Any = SimpleNamespace(clock=rule, by_name={"clock": POINT}, name="p")
    return ClockTerms(tag="F1", profile=profile, zone=zone, tolerance_s=tolerance_s, drift_bound_ppm=ppm)


def at(sent_s: float, shown_s: float, trip_s: float = 0.1, quality: Quality = Quality.GOOD) -> Reading:
    """A reading that was sent so long after the run's begin and shows so many seconds after it."""
    sent = round(sent_s * S)
    return Reading("F1", "clock", DATE_S + shown_s, quality, DATE, sent, sent + round(trip_s * S), 1, 0)


def test_one_reading_bounds_the_offset_to_its_step_round_trip_and_reference() -> None:
    """Sent at 0.2 s, there at 0.3, shows 10: ahead of this computer by 10 - 0.3 to 11 - 0.2."""
    state = clock_state(terms(), [at(0.2, 10)], run())
    assert state.own_s == pytest.approx((9.7, 10.8), abs=2.1e-5)
    assert state.offset_s == pytest.approx((9.7 - 0.02, 10.8 + 0.01), abs=2.1e-5)
    assert (state.tag, state.resolution_s, state.tolerance_s) == ("F1", 1.0, 2.0)
    assert (state.behaviour, state.readings, state.impossible, state.marked) == (Behaviour.STEADY, 1, 0, 0)
    assert (state.torn, state.stray, state.jump_s, state.beyond) == (0, 0, 0, False)
    assert (state.at_ns, state.shortest_ns) == (300_000_000, 100_000_000)
    assert state.watched_s == pytest.approx(-0.1)
    assert (state.drift_ppm, state.leaves_s, state.lower_s) == (None, None, None)
    assert state.region is not None


@pytest.mark.parametrize(
    ("tolerance_s", "verdict", "certain"),
    [(9.6, Verdict.FAIL, True), (9.7, Verdict.REVIEW, False), (10.8, Verdict.REVIEW, False),
     (10.82, Verdict.PASS, True)],
)  # fmt: skip
def test_an_interval_across_the_tolerance_is_a_review(
    tolerance_s: float, verdict: Verdict, certain: bool
) -> None:
    """9.68 to 10.81 s ahead of the reference."""
    state = clock_state(terms(tolerance_s), [at(0.2, 10)], run())
    assert state.verdict is verdict
    assert state.is_certain is certain


@pytest.mark.parametrize(
    ("tolerance_s", "verdict"),
    [(9.7, Verdict.FAIL), (9.8, Verdict.REVIEW), (10.9, Verdict.REVIEW), (10.93, Verdict.PASS)],
)
def test_behind_is_held_against_the_tolerance_as_ahead_is(tolerance_s: float, verdict: Verdict) -> None:
    """Shows -10.6: behind by 10.9 to 9.8 s, and by 10.92 to 9.79 s against the reference."""
    assert clock_state(terms(tolerance_s), [at(0.2, -10.6)], run()).verdict is verdict


def test_readings_narrow_the_interval_and_the_last_one_dates_it() -> None:
    """The steps at 1.5 and at 2.5 s of the run lie between readings: half a second ahead, to 0.1 s."""
    state = clock_state(
        terms(), [at(0.2, 0, 0.05), at(1.4, 1, 0.05), at(1.5, 2, 0.05), at(2.6, 3, 0.05)], run()
    )
    assert state.own_s == pytest.approx((0.45, 0.6), abs=1e-3)
    assert state.at_ns == 2_650_000_000
    assert state.watched_s == pytest.approx(2.6 - 0.25)
    assert state.readings == 4
    assert state.verdict is Verdict.PASS


def test_without_a_tie_or_a_reference_only_as_much_is_said_as_is_known() -> None:
    loose = clock_state(terms(), [at(0.2, 10)], run(tied=False))
    assert (loose.own_s, loose.offset_s, loose.verdict) == (None, None, Verdict.NOT_TESTED)
    assert loose.region is not None
    none = Reference(name="laptop", usable=False, reason="leap indicator 3")
    alone = clock_state(terms(), [at(0.2, 10)], run(none))
    assert alone.own_s == pytest.approx((9.7, 10.8), abs=1e-4)
    assert (alone.offset_s, alone.verdict) == (None, Verdict.NOT_TESTED)


def test_what_shows_no_date_and_what_is_marked_is_counted() -> None:
    odd = at(0.5, 0)._replace(quality=Quality.OUT_OF_TYPE)
    state = clock_state(terms(), [odd], run())
    assert (state.behaviour, state.readings, state.impossible) == (Behaviour.UNSETTLED, 0, 1)
    assert (state.verdict, state.region) == (Verdict.NOT_TESTED, None)
    marked = at(0.2, 0)._replace(quality=Quality.NOT_AVAILABLE)
    state = clock_state(terms(), [marked, odd, at(0.4, 0)], run())
    assert (state.readings, state.impossible, state.marked) == (2, 1, 1)


def test_a_clock_without_a_rule_is_an_error_of_ours() -> None:
    with pytest.raises(ValueError, match="p names no clock"):
        clock_state(terms(rule=None), [], run())
    with pytest.raises(ValueError, match="p names no clock"):
        _ = terms(rule=None).point
    assert terms().point is POINT


MEMORY = [at(0.2, 10), at(1.4, 10), at(2.6, 10), at(3.6, 13)]


def test_a_clock_read_from_memory_is_ahead_by_what_its_newest_copy_says_at_least() -> None:
    """The greatest v - t4 is 10 - 0.3; the reference may be 20 ms ahead: 9.68 s."""
    state = clock_state(terms(), MEMORY, run())
    assert state.behaviour is Behaviour.CACHED
    assert state.lower_s == pytest.approx(9.68, abs=1e-6)
    assert (state.offset_s, state.region, state.verdict) == (None, None, Verdict.NOT_TESTED)
    assert clock_state(terms(), MEMORY, run(tied=False)).lower_s is None
    none = Reference(name="laptop", usable=False)
    assert clock_state(terms(), MEMORY, run(none)).lower_s is None


def test_the_reference_counts_as_it_is_at_the_last_reading() -> None:
    """A reference that was exact at instant 0 and may drift by 2 %: at 3.7 s it may be 74 ms ahead."""
    wall_ns = round(DATE_S) * S
    region = region_of([Stamp(0, 0, wall_ns, 0)], 20_000)
    drifting_one = Candidate("ntp:a", True, region=region, tie=Tie(wall_ns))
    reference = Reference(name="ntp:a", usable=True, candidates=(drifting_one,), members=("ntp:a",))
    state = clock_state(terms(), MEMORY, run(reference))
    assert state.lower_s == pytest.approx(9.7 - 0.074, abs=1e-5)
    last = clock_state(terms(), [at(0.2, 10), at(1.4, 11)], run(reference))
    assert last.own_s is not None
    assert last.offset_s == pytest.approx((last.own_s.low - 0.03, last.own_s.high + 0.03), abs=1e-5)


def test_run_time_is_tied_to_wall_time_at_its_begin() -> None:
    """A wall clock that gains a second every nanosecond after it would show any other instant."""
    mad = SimpleNamespace(reference=REFERENCE, wall_s=lambda at_ns: DATE_S + at_ns)
    assert clock_state(terms(), MEMORY, mad).lower_s == pytest.approx(9.68, abs=1e-6)
    assert clock_state(terms(), [at(0.2, 10)], mad).own_s == pytest.approx((9.7, 10.8), abs=1e-4)


def test_a_clock_that_stands_has_neither_offset_nor_bound() -> None:
    state = clock_state(terms(), [at(0.2, 10), at(3.2, 10)], run())
    assert (state.behaviour, state.lower_s, state.offset_s) == (Behaviour.STOPPED, None, None)


def test_the_jump_is_told_in_seconds() -> None:
    before = [at(0.3 + 1.1 * i, (0.3 + 1.1 * i) // 1) for i in range(6)]
    after = [at(8.3 + 1.1 * i, (8.3 + 1.1 * i) // 1 + 60) for i in range(4)]
    state = clock_state(terms(), before + after, run())
    assert state.behaviour is Behaviour.JUMPED
    assert state.jump_s == pytest.approx(60, abs=0.6)
    assert (state.is_settled, state.is_steady) == (True, False)
    assert state.offset_s is not None
    assert state.offset_s.low > 58


def test_a_jump_and_a_stray_are_told_apart() -> None:
    stamps = [at(0.3 + 1.1 * i, (0.3 + 1.1 * i) // 1) for i in range(6)]
    stamps[3] = stamps[3]._replace(value=DATE_S + 900)
    state = clock_state(terms(), stamps, run())
    assert (state.behaviour, state.stray, state.torn) == (Behaviour.STEADY, 1, 0)


def test_tearing_is_seen_by_the_fields_of_local_time() -> None:
    """10:15:30 and later in Kolkata; one stamp has the next minute beside the old second (10:17:59 in it)."""
    rule = ClockRule(point="clock", zone="local", resolution_s=1.0)
    stamps = [at(0.3 + 1.1 * i, (0.3 + 1.1 * i) // 1) for i in range(34)]
    stamps[27] = stamps[27]._replace(value=DATE_S + 89)  # at 30 s: 10:16:59 where it is 10:16:00
    for one, zone in ((RULE, "UTC"), (rule, "Asia/Kolkata")):
        state = clock_state(terms(rule=one, zone=zone), stamps, run())
        assert (state.torn, state.stray) == (1, 0)


# -- drift --------------------------------------------------------------------------------------------------


def drifting(ppm: float, hours: float, *, trip_s: float = 0.02, count: int = 40) -> list[Reading]:
    """A clock of known drift, right at the begin; read at the middle of the round trip."""
    made = []
    for number in range(count):
        sent = number * hours * 3600 / (count - 1)
        shown = int((sent + trip_s / 2) * (1 + ppm / 1e6))
        made.append(at(sent, shown, trip_s))
    return made


@pytest.mark.parametrize("ppm", [-80, 0, 80])
def test_the_drift_is_told_once_its_bounds_are_half_as_wide_as_what_was_assumed(ppm: float) -> None:
    """A step of a second in 24 h is 12 ppm, in 10 minutes 1,700 ppm; 200 ppm are assumed."""
    long = clock_state(terms(), drifting(ppm, 24), run())
    assert long.drift_ppm is not None
    assert long.drift_ppm.low <= ppm <= long.drift_ppm.high
    assert long.drift_ppm.half_width < 20
    assert not long.beyond
    assert clock_state(terms(), drifting(ppm, 1 / 6), run()).drift_ppm is None


def test_the_half_decides_whether_a_drift_is_told() -> None:
    readings = drifting(0, 6)
    told = clock_state(terms(ppm=10_000), readings, run()).drift_ppm
    assert told is not None
    assert clock_state(terms(ppm=told.half_width * 2.02), readings, run()).drift_ppm == told
    assert clock_state(terms(ppm=told.half_width * 1.98), readings, run()).drift_ppm is None


def test_what_the_readings_say_of_the_drift_has_no_help_of_the_assumption() -> None:
    """The bounds of the drift are the readings' own, also where less is assumed."""
    wide, narrow = (clock_state(terms(ppm=ppm), drifting(0, 24), run()) for ppm in (400, 60))
    assert wide.drift_ppm == narrow.drift_ppm
    assert wide.drift_ppm is not None


def test_a_clock_that_drifts_more_than_the_map_allows_is_said_to() -> None:
    state = clock_state(terms(ppm=200), drifting(5_000, 1), run())
    assert state.beyond
    assert (state.behaviour, state.stray) == (Behaviour.STEADY, 0)
    assert state.drift_ppm is not None
    assert state.drift_ppm.low <= 5_000 <= state.drift_ppm.high
    assert state.offset_s is not None
    assert state.offset_s.low <= 3600 * 0.005 <= state.offset_s.high + 0.1


def test_an_odd_reading_beside_a_drift_beyond_the_bound_explains_nothing() -> None:
    readings = drifting(5_000, 1)
    readings[20] = readings[20]._replace(value=DATE_S + 900_000)
    state = clock_state(terms(ppm=200), readings, run())
    assert not state.beyond


def test_a_drift_that_is_told_badly_explains_nothing() -> None:
    """Two readings that ask for 404 ppm at least and allow 20,000: it may have been set just as well."""
    readings = [at(0.94, 0, 0.01), at(99.89, 100, 0.01)]
    state = clock_state(terms(ppm=200), readings, run())
    assert (state.beyond, state.behaviour) == (False, Behaviour.UNSETTLED)


def test_when_it_leaves_the_tolerance_follows_from_offset_and_drift() -> None:
    state = clock_state(terms(tolerance_s=60), drifting(80, 24), run())
    assert state.offset_s is not None
    assert state.drift_ppm is not None
    assert state.leaves_s == leaves(state.offset_s, state.drift_ppm, 60)
    assert clock_state(terms(tolerance_s=60), drifting(80, 1 / 6), run()).leaves_s is None


@pytest.mark.parametrize(("watched_s", "seen"), [(1.0, False), (1.04, False), (1.0401, True)])
def test_it_was_seen_running_if_it_was_watched_for_longer_than_a_slow_step(
    watched_s: float, seen: bool
) -> None:
    """2 % slow at most, twice that for the step as for the watch."""
    state = ClockState(
        tag="F1",
        resolution_s=1.0,
        tolerance_s=2.0,
        behaviour=Behaviour.STEADY,
        readings=2,
        watched_s=watched_s,
    )
    assert state.seen_running is seen


@pytest.mark.parametrize("behaviour", Behaviour)
@pytest.mark.parametrize("verdict", Verdict)
def test_what_is_settled_steady_and_certain(behaviour: Behaviour, verdict: Verdict) -> None:
    state = ClockState(
        tag="F1", resolution_s=1.0, tolerance_s=2.0, behaviour=behaviour, readings=2, verdict=verdict
    )
    assert state.is_steady is (behaviour == "steady")
    assert state.is_settled is (behaviour in ("steady", "jumped"))
    assert state.is_certain is (state.is_settled and verdict in ("pass", "fail"))


def test_what_is_said_before_anything_is_known() -> None:
    state = ClockState(tag="F1", resolution_s=1.0, tolerance_s=2.0, behaviour=Behaviour.UNSETTLED, readings=0)
    assert (state.impossible, state.marked, state.torn, state.stray, state.at_ns) == (0, 0, 0, 0, 0)
    assert (state.jump_s, state.watched_s, state.shortest_ns, state.beyond) == (0, 0, 0, False)
    assert state.verdict is Verdict.NOT_TESTED


@pytest.mark.parametrize("seed", range(20))
def test_the_true_offset_lies_inside_whatever_it_is(seed: int) -> None:
    """Clocks of known offset and drift, a reference somewhere in its bounds; 200 ppm are assumed."""
    rng = random.Random(seed)
    offset, drift = rng.uniform(-5, 5), rng.uniform(-150, 150) / 1e6
    readings, now = [], 0.0
    for _ in range(rng.randrange(1, 9)):
        trip = rng.uniform(0.004, 0.3)
        read = now + trip * rng.random()
        readings.append(at(now, math.floor(read * (1 + drift) + offset), trip))
        now += rng.uniform(0.4, 40)
    state = clock_state(terms(), readings, run())
    last = readings[-1].received_ns / S
    true_own = offset + drift * last
    assert state.own_s is not None
    assert state.offset_s is not None
    assert state.own_s.low <= true_own <= state.own_s.high
    for reference in (-0.01, 0.02):
        assert state.offset_s.low <= true_own - reference <= state.offset_s.high
    assert state.own_s.high - state.own_s.low <= 1.4


@pytest.mark.parametrize(("step_s", "coarse"), [(1.0, False), (5.0, False), (5.1, True), (60.0, True)])
def test_clocks_of_steps_beyond_five_seconds_are_read_coarsely(step_s: float, coarse: bool) -> None:
    """Two readings are enough for them, unless somebody is patient."""
    profile: Any = SimpleNamespace(clock=replace(RULE, resolution_s=step_s))
    hurried: Any = SimpleNamespace(patient=False, fine=True, dwell_s=0.0)
    patient: Any = SimpleNamespace(patient=True, fine=True, dwell_s=0.0)
    assert (readings_of(profile, hurried) == 2) is coarse
    assert readings_of(profile, patient) > 2
