"""The conversation with one device's clock: aimed readings until enough is known.

The first reading goes at once; each further one is aimed at the instant at which the clock's next step is
expected in the middle of what is still possible (``clock_aim``). It is a conversation of its own beside the
device's other one, so that waiting for a clock holds nothing up.

Enough is: the offset lies wholly inside or outside the tolerance and the clock was seen to run (or, if that
is asked for, the interval is as narrow as the gear allows); or the budget of readings is used. A clock that
contradicts itself is read on until it is known why. A clock of coarse steps is read twice only, unless the
user has patience: each finer reading would wait for a step.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field

from probe.collect.device_plan import Step
from probe.collect.pacing import SECOND_NS, Pacing
from probe.collect.turn import Aimed, Script, Turn
from probe.judge.blocks import block_of, decode, holds
from probe.judge.clock_aim import next_send_ns
from probe.judge.clock_state import COARSE_S, ClockState, ClockTerms, clock_state
from probe.judge.clock_track import Behaviour
from probe.judge.run_context import RunContext
from probe.model.evidence import Exchange, Outcome, Purpose
from probe.model.profile import Limits, Profile
from probe.model.reading import Reading
from probe.model.scope import Scope
from probe.wire.link import Request

#: Readings of one clock; more bring little (bench/clock.py).
BUDGET = 12
#: Pause between readings of a clock that stands still or is served from memory.
STILL_PAUSE_NS = 500_000_000
#: How long it is watched then at least, in an audit and when it is measured finely; and at least two steps.
#: Memories of gateways are renewed every few seconds (common practice, no source).
STILL_S = {False: 3.0, True: 10.0}
#: Readings of a clock whose steps are finer than a round trip: luck with a short one is all that narrows.
LUCKY = 6
#: A clock that shows another stamp after so many of its steps has not stopped.
RUNNING_STEPS = 1.1
#: Readings that check whether stamps are fresh, and how far before the clock's step: this share of the step.
CHECKS = 4
CHECK_SHARE = 0.06
#: Readings without any usable reference.
UNCOMPARED = 3
#: The interval is narrow enough when it is not much wider than the shortest round trip.
NARROW_SHARE = 1.2
LEAST_SLACK_NS = 1_000_000
RECENT_TRIPS = 8
#: Longest time between two readings while a clock is watched for its drift.
WATCH_S = 30.0
_BUSY = (0x05, 0x06)
_NEVER_AGAIN = (0x01, 0x02, 0x03)


def clock_readings(profile: Profile, scope: Scope) -> int:
    """Readings that a healthy clock of this type takes in such a run, about."""
    rule = profile.clock
    if rule is None:
        return 0
    if rule.resolution_s > COARSE_S and not scope.patient:
        return 2
    ends = 2 if scope.dwell_s > 0 else 1
    return ends * BUDGET + CHECKS if scope.fine or scope.dwell_s > 0 else UNCOMPARED


def clock_seconds(profile: Profile, scope: Scope) -> float:
    """How long a healthy clock of this type takes in such a run, about: a step of it for each reading."""
    rule = profile.clock
    if rule is None:
        return 0.0
    if rule.resolution_s > COARSE_S and not scope.patient:
        return 1.0
    return max(clock_readings(profile, scope) * rule.resolution_s, scope.dwell_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockCourse:
    """How far to go. fine: to the narrowest that the gear allows. patient: also where steps are coarse.

    dwell_s: watch for drift so long.
    """

    fine: bool = False
    patient: bool = False
    dwell_s: float = 0.0


@dataclass(slots=True, kw_only=True)
class ClockTalk:
    """One clock's conversation and what was read so far.

    run: what the judge knows of the run now. tell: hears the state after each reading.
    """

    unit: int
    step: Step
    shift: int
    limits: Limits
    pacing: Pacing
    course: ClockCourse
    terms: ClockTerms
    run: Callable[[], RunContext]
    tell: Callable[[ClockState], None]
    purpose: Purpose = Purpose.CLOCK
    state: ClockState | None = None
    _readings: list[Reading] = field(default_factory=list)
    _trips: list[float] = field(default_factory=list)
    _asked: int = 0
    _faults: int = 0
    _last_ns: int = 0
    _first_ns: int = 0
    _over: bool = False

    def script(self) -> Script:
        """All readings of this clock."""
        yield from self._close_in(BUDGET, fine=self._is_fine)
        if self._is_fine:
            yield from self._check_freshness()
        if self.course.dwell_s > 0 and not self._over:
            yield from self._watch(self._first_ns + round(self.course.dwell_s * SECOND_NS))

    def more(self, readings: int) -> Script:
        """So many readings more, whatever is known."""
        for _ in range(readings):
            if self._over:
                return
            yield from self._read()

    @property
    def _is_fine(self) -> bool:
        return self.course.fine or self.course.dwell_s > 0

    # how long to go on -------------------------------------------------------------------------------

    def _close_in(self, budget: int, *, fine: bool) -> Script:
        """Read until enough is known."""
        most = self._asked + budget
        while not self._over and self._asked < most and not self._is_enough(fine=fine):
            yield from self._read()

    def _is_enough(self, *, fine: bool) -> bool:
        state = self.state
        if state is None:
            return False
        if self._is_coarse and not self.course.patient:
            return state.readings + state.impossible >= 2
        if not state.readings:
            return state.impossible >= UNCOMPARED
        if state.behaviour in (Behaviour.STOPPED, Behaviour.CACHED):
            return state.watched_s >= max(STILL_S[fine], 2 * state.resolution_s)
        if not state.is_settled or not state.seen_running:
            return False
        if not self.run().reference.usable and len(self._readings) < UNCOMPARED:
            return False
        if fine:
            return self._is_narrow(state)
        return state.is_certain or not self.run().reference.usable

    @property
    def _is_coarse(self) -> bool:
        return self.terms.profile.clock is not None and self.terms.profile.clock.resolution_s > COARSE_S

    def _is_narrow(self, state: ClockState) -> bool:
        if state.own_s is None:
            return True
        if self._step_ns < state.shortest_ns and state.readings < LUCKY:
            return False
        return 2 * state.own_s.half_width * SECOND_NS <= max(NARROW_SHARE * state.shortest_ns, LEAST_SLACK_NS)

    def _check_freshness(self) -> Script:
        """Some readings shortly before the clock should step: copies of different age contradict them.

        A clock that is read from a copy seems to step late; a fresh reading just before that shows the new
        time already, which no late clock does (tests/property/test_clock_faults.py says how often it helps).
        """
        for _ in range(CHECKS):
            if self._over or self.state is None or not self.state.is_settled:
                break
            request, _ = self._turn(checking=True)
            yield from self._heard((yield request))
        if self.state is not None and not self.state.is_settled:
            yield from self._close_in(BUDGET, fine=True)

    def _aim_before(self, earliest_ns: int) -> int:
        """The next instant at which the clock is surely still before its step, and only just."""
        region = self.state.region if self.state is not None else None
        if region is None:
            return earliest_ns
        step_ns = self._step_ns
        high = region.offset_at(earliest_ns + step_ns // 2).high
        ahead = round(high + CHECK_SHARE * step_ns + max(self._trips[-RECENT_TRIPS:]))
        return -(-(earliest_ns + ahead) // step_ns) * step_ns - ahead

    def _watch(self, until_ns: int) -> Script:
        """Single readings while the dwell lasts, then close in once more: drift needs both ends."""
        step_ns = self._step_ns
        closing_ns = max(until_ns - BUDGET * step_ns, self._last_ns)
        pause_ns = max(min((closing_ns - self._last_ns) // 4, round(WATCH_S * SECOND_NS)), 2 * step_ns)
        while not self._over and self._last_ns + pause_ns < closing_ns:
            yield self._last_ns + pause_ns
            yield from self._read()
        if not self._over:
            yield closing_ns
            self._trips = self._trips[-RECENT_TRIPS:]
            yield from self._close_in(BUDGET, fine=True)

    # one reading -------------------------------------------------------------------------------------

    def _read(self) -> Script:
        """One reading; aimed where it is known what to aim at."""
        turn, pause_ns = self._turn()
        if pause_ns:
            yield self._last_ns + pause_ns
        exchange = yield turn
        yield from self._heard(exchange)

    def _turn(self, *, checking: bool = False) -> tuple[Turn, int]:
        """What to ask, and how long to wait before if it cannot be aimed. checking: just before its step."""
        request = Request(
            self.terms.tag, self.purpose, min(self._asked, 1), self._faults + 1, self.unit, self.step.pdu,
            self.limits.timeout_s,
        )  # fmt: skip
        self._asked += 1
        state = self.state
        if state is None:
            return request, 0
        region = state.region
        if self._is_coarse and not self.course.patient:
            return request, SECOND_NS
        if region is None or not self._trips:
            return request, STILL_PAUSE_NS
        if checking:
            return Aimed(request, self._aim_before, round(CHECK_SHARE * self._step_ns / 2)), 0
        width_ns = region.offset_at(self._last_ns).width
        return Aimed(request, self._aim, max(round(width_ns / 8), LEAST_SLACK_NS)), 0

    def _aim(self, earliest_ns: int) -> int:
        """The next instant at which a reading tells most."""
        region = self.state.region if self.state is not None else None
        if self.state is None or region is None:
            return earliest_ns
        step_ns = self._step_ns
        if self.state.is_certain and not self._is_fine:  # all that is left to see is that it runs
            earliest_ns = max(earliest_ns, self._first_ns + round(RUNNING_STEPS * step_ns))
        bounds = region.offset_at(earliest_ns + step_ns // 2)
        return next_send_ns(bounds, step_ns, self._trips[-RECENT_TRIPS:], earliest_ns)

    @property
    def _step_ns(self) -> int:
        rule = self.terms.profile.clock
        return round((rule.resolution_s if rule is not None else 1.0) * SECOND_NS)

    def _heard(self, exchange: Exchange) -> Generator[Turn, Exchange, None]:
        """What follows from the answer; a clock that gives none is given up after some attempts."""
        self._last_ns = exchange.received_ns
        self._first_ns = self._first_ns or exchange.received_ns
        reading = self._reading_of(exchange)
        if reading is not None:
            self._faults = 0
            self._readings.append(reading)
            self._trips.append(float(exchange.reply_ns))
            self.state = clock_state(self.terms, self._readings, self.run())
            self.tell(self.state)
            return
        self._faults += 1
        self._over = exchange.exception_code in _NEVER_AGAIN or self._faults > self.limits.retries
        if not self._over:
            busy = exchange.exception_code in _BUSY
            wait_ns = self.pacing.busy_ns(1) if busy else self.pacing.backoff_ns(self._faults)
            yield exchange.received_ns + wait_ns

    def _reading_of(self, exchange: Exchange) -> Reading | None:
        """The clock in an answer; None if there is none in it."""
        if exchange.outcome is not Outcome.DATA:
            return None
        block = block_of(0, exchange, self.shift)
        if block is None or not holds(block, self.terms.point):
            return None
        return decode(self.terms.profile, self.terms.point, block)
