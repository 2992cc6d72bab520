"""Clock state: what all readings of one clock say of it, held against the reference.

    readings ──► stamps ──► track ──► offset against the run's time ──► less the reference's interval

One pure function, used by the collector to know when a clock has been read enough, by the live face to draw
it and by the check to judge it: so what was seen on the screen is what stands in the record. Uncertainties
are added, never averaged away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from probe.judge.clock_reading import ClockReadings, sort_out
from probe.judge.clock_region import ClockRegion
from probe.judge.clock_track import Behaviour, ClockTrack, jump_ns, track
from probe.judge.limit import Interval, within
from probe.judge.run_context import RunContext
from probe.model.finding import Verdict
from probe.model.profile import Point, Profile
from probe.model.reading import Reading

S = 1e9
#: No clock that runs at all is wronger than this (2 %); common practice, no source.
WIDE_PPM = 20_000.0
#: A clock that shows steps of more seconds is read coarsely, unless somebody has patience.
COARSE_S = 5.0
#: A drift is worth telling once its bounds are so much narrower than what was assumed.
TELLING_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockState:
    """One clock, as far as it was read.

    offset_s: bounds of (device - reference), None where nothing can be said; at_ns: when they hold.
    own_s: bounds of (device - this computer's wall clock). lower_s: for a cached clock, what (device -
    reference) is at least. readings: how many hold a date. impossible, marked, torn, stray: how many hold
    none, are called invalid by the device itself, mix two times, or fit no others. drift_ppm: bounds, None
    while they say no more than was assumed. beyond: the readings need more drift than the map allows.
    leaves_s: earliest and latest time until the tolerance is left, infinite for never, None if unknown.
    verdict: of the offset against the tolerance. region: what is possible, on the run's own time.
    """

    tag: str
    resolution_s: float
    tolerance_s: float
    behaviour: Behaviour
    readings: int
    impossible: int = 0
    marked: int = 0
    torn: int = 0
    stray: int = 0
    jump_s: float = 0.0
    at_ns: int = 0
    offset_s: Interval | None = None
    own_s: Interval | None = None
    lower_s: float | None = None
    drift_ppm: Interval | None = None
    beyond: bool = False
    leaves_s: Interval | None = None
    verdict: Verdict = Verdict.NOT_TESTED
    region: ClockRegion | None = None
    watched_s: float = 0.0
    shortest_ns: int = 0

    @property
    def is_steady(self) -> bool:
        """True if all readings that count are of one clock that ran evenly."""
        return self.behaviour is Behaviour.STEADY

    @property
    def is_settled(self) -> bool:
        """True if the readings agree well enough to speak of one running clock."""
        return self.behaviour in (Behaviour.STEADY, Behaviour.JUMPED)

    @property
    def is_certain(self) -> bool:
        """True if the offset lies wholly inside or outside the tolerance, on readings that agree."""
        return self.is_settled and self.verdict in (Verdict.PASS, Verdict.FAIL)

    @property
    def seen_running(self) -> bool:
        """True if it was watched for longer than its step: a stopped clock would have been noticed."""
        return self.watched_s > self.resolution_s * (1 + 2 * WIDE_PPM / 1e6)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockVerdict:
    """What was said of one clock: verdict and cause of its finding, and the state that it rests on.

    state: None if the clock was not read, if nothing that the device shows may be judged (it may be another
    one, its proof point does not fit), or if this computer's clock was stepped.
    """

    tag: str
    verdict: Verdict
    cause: str
    state: ClockState | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTerms:
    """What a clock is read and judged by: its profile, and what the map says of clocks."""

    tag: str
    profile: Profile
    zone: str
    tolerance_s: float
    drift_bound_ppm: float

    @property
    def point(self) -> Point:
        """The point that shows the clock. Raises ValueError for a profile without one."""
        if self.profile.clock is None:
            raise ValueError(f"profile {self.profile.name} names no clock")
        return self.profile.by_name[self.profile.clock.point]


def clock_state(terms: ClockTerms, readings: Sequence[Reading], run: RunContext) -> ClockState:
    """The state of a clock after these readings. Raises ValueError for a profile without one."""
    point, rule = terms.point, terms.profile.clock
    assert rule is not None  # or there is no point
    sorted_out = sort_out(readings, point, rule, terms.zone, run.wall_s)
    facts = {
        "tag": terms.tag,
        "resolution_s": rule.resolution_s,
        "tolerance_s": terms.tolerance_s,
        "readings": len(sorted_out.stamped),
        "impossible": len(sorted_out.impossible),
        "marked": sum(one.marked for one in sorted_out.stamped),
    }
    stamps = sorted_out.stamps
    if not stamps:
        return ClockState(behaviour=Behaviour.UNSETTLED, **facts)  # type: ignore[arg-type]
    facts["watched_s"] = (stamps[-1].sent_ns - stamps[0].received_ns) / S
    facts["shortest_ns"] = min(stamp.received_ns - stamp.sent_ns for stamp in stamps)
    followed, beyond = _followed(sorted_out, terms.drift_bound_ppm)
    facts |= {"behaviour": followed.behaviour, "torn": len(followed.torn), "stray": len(followed.stray)}
    if followed.region is None:
        facts["lower_s"] = _lower(followed, stamps[-1].received_ns, run)
        return ClockState(**facts)  # type: ignore[arg-type]
    facts["jump_s"] = jump_ns(stamps, followed, terms.drift_bound_ppm) / S
    return _measured(facts, sorted_out, followed, run, beyond=beyond, bound_ppm=terms.drift_bound_ppm)


def _followed(readings: ClockReadings, bound_ppm: float) -> tuple[ClockTrack, bool]:
    """The track within the stated drift; if that fails and a wider one does not, the wider one."""
    shift_ns = readings.stamped[0].shift_ns
    narrow = track(readings.stamps, bound_ppm, shift_ns)
    if narrow.behaviour in (Behaviour.STEADY, Behaviour.STOPPED):
        return narrow, False
    wide = track(readings.stamps, WIDE_PPM, shift_ns)
    if wide.behaviour is Behaviour.STEADY and not wide.stray and wide.region is not None:
        drift = wide.region.drift_ppm()
        # A drift that is told badly explains anything: readings from copies, a small jump.
        if drift.width <= abs(drift.middle):
            return wide, True
    return narrow, False


def _lower(followed: ClockTrack, at_ns: int, run: RunContext) -> float | None:
    """What the clock is at least ahead of the reference, of one that is served from memory."""
    tie = run.wall_s(0)
    if followed.lower_bound_ns is None or tie is None or not run.reference.usable:
        return None
    return followed.lower_bound_ns / S - tie - run.reference.at(at_ns).high


def _measured(
    facts: dict[str, object],
    readings: ClockReadings,
    followed: ClockTrack,
    run: RunContext,
    *,
    beyond: bool,
    bound_ppm: float,
) -> ClockState:
    """The state of a clock of which at least one reading counts."""
    region = followed.region
    assert region is not None
    at_ns = readings.stamps[followed.counted[-1]].received_ns
    facts |= {"region": region, "at_ns": at_ns, "beyond": beyond}
    drift = region.drift_ppm()
    if not beyond:  # what the readings alone say, without the help of the bound
        stamps = [readings.stamps[i] for i in followed.counted]
        drift = (track(stamps, WIDE_PPM).region or region).drift_ppm()
    told = Interval(drift.low, drift.high)
    facts["drift_ppm"] = told if beyond or told.half_width <= TELLING_SHARE * bound_ppm else None
    tie = run.wall_s(0)
    if tie is None:
        return ClockState(**facts)  # type: ignore[arg-type]
    bounds = region.offset_at(at_ns)
    own = Interval(bounds.low / S - tie, bounds.high / S - tie)
    facts["own_s"] = own
    if not run.reference.usable:
        return ClockState(**facts)  # type: ignore[arg-type]
    reference = run.reference.at(at_ns)
    offset = Interval(own.low - reference.high, own.high - reference.low)
    tolerance_s = float(facts["tolerance_s"])  # type: ignore[arg-type]
    facts |= {"offset_s": offset, "verdict": within(offset, -tolerance_s, tolerance_s)}
    if facts["drift_ppm"] is not None:
        facts["leaves_s"] = leaves(offset, told, tolerance_s)
    return ClockState(**facts)  # type: ignore[arg-type]


def leaves(offset: Interval, drift_ppm: Interval, tolerance_s: float) -> Interval | None:
    """Earliest and latest time until the tolerance is left, seconds; None unless it is kept now."""
    if offset.low < -tolerance_s or offset.high > tolerance_s:
        return None
    never = float("inf")
    fast, slow = drift_ppm.high / 1e6, drift_ppm.low / 1e6
    up = (tolerance_s - offset.high) / fast if fast > 0 else never
    down = (tolerance_s + offset.low) / -slow if slow < 0 else never
    latest = never
    if slow > 0:
        latest = (tolerance_s - offset.low) / slow
    elif fast < 0:
        latest = (tolerance_s + offset.high) / -fast
    return Interval(min(up, down), latest)
