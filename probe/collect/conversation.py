"""The conversation with one device: what is asked, in which order, and what follows from each answer.

A conversation is a generator without sockets and without a clock: it yields a ``Request`` (and is sent the
``Exchange`` that came of it), a time in nanoseconds before which it does not want its next turn, or a
``Phase``. Who serves it (``host``) decides about connections, gaps and fairness. So the rules below can be
tested with made-up answers, and thousands of conversations cost no task each.

Order: identity first, then proof points, all other points block after block (readings of one instant stand
close together), units that nobody should answer for, then, after the freshness pause, what must have moved.
The clock has a conversation of its own beside this one (``clock_talk``), begun once the device has answered.

Rules: retries are ours and numbered; busy (exceptions 5, 6) is waited for a bounded time; 0x0A and 0x0B
speak of the unit; a refused block is parted; a device that gives no valid reply to two asks in a row (or to
the first ones) is not asked further, nor is one whose time since start has fallen: polling may be what makes
it restart. Source of exception codes: MODBUS Application Protocol Specification V1.1b3, 7.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, field

from probe.collect.device_plan import DevicePlan, Step
from probe.collect.events import Phase
from probe.collect.pacing import SECOND_NS, Pacing
from probe.collect.plan import Read
from probe.collect.refusal import parted, within
from probe.collect.turn import Aside, Script, Turn
from probe.judge.blocks import block_of, decode
from probe.model.evidence import Exchange, Outcome, Purpose
from probe.model.pdu import following_request, identification, identification_request, pdu_of, read_request
from probe.model.reading import Quality
from probe.wire.link import Request

_Ask = Generator[Turn, Exchange, Exchange]

_DATA = Outcome.DATA
_CUT = (Outcome.CLOSED, Outcome.RESET, Outcome.NOT_SENT)

ILLEGAL_ADDRESS, ILLEGAL_VALUE = 0x02, 0x03
_BUSY = (0x05, 0x06)
_PASSING = (0x04, 0x08)  # device failure, memory parity: may be gone at the next attempt
_PATH = (0x0A, 0x0B)  # the gateway speaks, not the unit
_MOST_FRAGMENTS = 16


class _GivenUp(Exception):  # noqa: N818 - not an error: how a conversation ends early
    """The device gives no valid reply; nothing more is asked."""


class _Restarted(Exception):  # noqa: N818 - as above
    """The device restarted while it was polled; it is left alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What the scope and the place of a device mean for its conversation.

    shared: other units sit on the same link. on_bus: two units could have one number here, so that who
    answers is asked again in later rounds. absent_units: units to ask that the map does not hold.
    absent_timeout_s: longer than a gateway's own time-out, so that this can be measured.
    """

    quick: bool = False
    dwell_s: float = 0.0
    poll_pause_s: float = 1.0
    shared: bool = False
    on_bus: bool = False
    absent_units: tuple[int, ...] = ()
    absent_timeout_s: float = 1.0


@dataclass(slots=True)
class Conversation:
    """One device's conversation and what was learned of the device in this run.

    clock: the conversation with its clock, not begun; None if it has none or clocks are not tested.
    identified: called when it has said who it is, and shown its proof points.
    unreadable: points that the device refused one by one. most: block limits learned, by area's kind.
    answered: a valid reply of the unit itself came at least once. given_up: it was not asked to the end, as
    it gave no valid reply; restarted: as it restarted.
    """

    tag: str
    unit: int
    plan: DevicePlan
    course: Course
    pacing: Pacing
    clock: Script | None = None
    identified: Callable[[], None] = lambda: None
    round: int = 0
    answered: bool = False
    given_up: bool = False
    restarted: bool = False
    _beside: Script | None = None  # the clock's conversation, once begun
    _uptime: float | None = None
    _failed_asks: int = 0
    _last_ns: int = 0
    _splits: int = 0
    _instead: dict[bytes, tuple[Step, ...]] = field(default_factory=dict)
    _most: dict[bool, int] = field(default_factory=dict)

    def script(self) -> Script:
        """The whole conversation, from identity to what must have moved."""
        try:
            yield Phase.IDENTITY
            yield from self._first_round()
            yield from self._absent_units()
            yield from self._later_rounds()
        except _GivenUp:
            self.given_up = True
        except _Restarted:
            self.restarted = True
            if self._beside is not None:
                self._beside.close()

    # rounds ------------------------------------------------------------------------------------------

    def _first_round(self) -> Script:
        pending = yield from self._identify(first=True)
        yield from self._begin_clock(sure=True)
        yield from self._read_all(self.plan.proof)
        if pending and self.answered:
            yield from self._identify(first=False)
        yield from self._begin_clock(sure=bool(self.plan.poll))
        self.identified()
        yield Phase.POLLING
        yield from self._read_round(self.plan.poll)
        yield from self._begin_clock(sure=True)

    def _begin_clock(self, *, sure: bool) -> Script:
        """Have the clock read beside the rest, once; ``sure``: only if the device has answered."""
        if self.clock is not None and (self.answered or not (sure or self._failed_asks)):
            self._beside, self.clock = self.clock, None
            yield Aside(self._beside)

    def _later_rounds(self) -> Script:
        if self.course.quick:
            return
        start_ns = self._last_ns
        if self.course.dwell_s > 0:
            yield from self._dwell(start_ns + round(self.course.dwell_s * SECOND_NS))
        dwelt = self.round
        yield from self._freshness(start_ns)
        if self.round > dwelt or not dwelt:
            yield from self._who_again()

    def _dwell(self, until_ns: int) -> Script:
        """Full polls with pauses until the time is over."""
        pause_ns = round(self.course.poll_pause_s * SECOND_NS)
        yield Phase.WATCHING
        while self._last_ns + pause_ns < until_ns:
            yield self._last_ns + pause_ns
            self.round += 1
            before_ns = self._last_ns
            yield from self._read_round(self.plan.poll)
            if self._last_ns <= before_ns:
                return  # the device has nothing that can be polled
            yield from self._who_again()
        yield until_ns

    def _freshness(self, start_ns: int) -> Script:
        """What must move, read again at least ``after_s`` after the first poll (a dwell may have done it)."""
        rule = self.plan.profile.freshness
        if rule is None or not self.plan.freshness:
            return
        due_ns = start_ns + round(rule.after_s * SECOND_NS)
        if self.round > 0 and self._last_ns >= due_ns:
            return
        yield Phase.WATCHING
        yield due_ns
        self.round += 1
        yield from self._read_round(self.plan.freshness)

    def _absent_units(self) -> Script:
        """Ask units that the map does not hold, once each: an answer shows a server that answers for all."""
        if self.course.quick or not self.plan.poll or not self.course.absent_units:
            return
        first = self.plan.poll[0].read
        pdu = read_request(first.area.function, first.start + self.plan.shift, 1)
        for unit in self.course.absent_units:
            exchange = yield Request(
                self.tag, Purpose.ABSENT_UNIT, self.round, 1, unit, pdu, self.course.absent_timeout_s
            )
            self._last_ns = exchange.received_ns

    # identity ----------------------------------------------------------------------------------------

    def _identify(self, *, first: bool) -> Generator[Turn, Exchange, bool]:
        """Ask who the device is; True if Read Device Identification must be asked again later.

        A device may keep silent to a function that it does not know, or close, so that a missing first
        answer is not yet a dead device: its other reads decide.
        """
        plan, rule = self.plan, self.plan.profile.identity
        found: set[int] = set()
        pending = False
        if plan.objects:
            exchange = yield from self._objects(found, attempt=1 if first else 2)
            pending = first and not _speaks(exchange)
        told = {name for name, object_id in rule.objects.items() if object_id in found}
        if first and not set(rule.points) <= told:
            yield from self._read_all(plan.identity)
        return pending

    def _who_again(self) -> Script:
        """The serial number once more, by one request, where two units could answer in turn."""
        rule = self.plan.profile.identity
        if not self.course.on_bus:
            return
        self.round = max(self.round, 1)
        if "serial" in rule.points:
            yield from self._read_all(self.plan.who)
        elif "serial" in rule.objects:
            yield from self._objects(set(), attempt=1)

    def _objects(self, found: set[int], *, attempt: int) -> _Ask:
        """Read Device Identification with its fragments; adds the ids of the objects that came."""
        pdu: bytes | None = identification_request(self.plan.objects, 0)
        for _ in range(_MOST_FRAGMENTS):
            assert pdu is not None
            exchange = yield self._request(Purpose.IDENTITY, pdu, attempt)
            if self.answered and (exchange.outcome in _CUT or exchange.exception_code in _BUSY):
                exchange = yield from self._again(Purpose.IDENTITY, pdu, exchange)
            self._heard(exchange)
            if exchange.outcome is not _DATA:
                break
            reply = pdu_of(exchange.response, exchange.framing)
            found.update(object_id for object_id, _ in identification(reply).objects)
            pdu = following_request(pdu, reply)
            attempt = 1
            if pdu is None:
                break
        return exchange

    # reads -------------------------------------------------------------------------------------------

    def _read_round(self, steps: Sequence[Step]) -> Script:
        """Each step once, with an eye on the device's time since start where more than one round is read."""
        at = None if self.course.quick else self._uptime_at(steps)
        if at is None:
            yield from self._read_all(steps)
            return
        yield from self._read_all(steps[:at])
        exchange = yield self._request(steps[at].purpose, steps[at].pdu, 1)
        exchange = yield from self._settle(steps[at], exchange)
        self._look_at_uptime(exchange)
        yield from self._read_all(steps[at + 1 :])

    def _uptime_at(self, steps: Sequence[Step]) -> int | None:
        """Which step reads the time since start; None if none does, or the device wants its blocks parted."""
        profile = self.plan.profile
        if not profile.uptime or self._instead or self._most:
            return None
        point = profile.by_name[profile.uptime]
        for number, step in enumerate(steps):
            read = step.read
            if read.area is point.area and read.start <= point.start and point.end <= read.end:
                return number
        return None

    def _look_at_uptime(self, exchange: Exchange) -> None:
        """Raises _Restarted if the time since start has fallen."""
        block = block_of(0, exchange, self.plan.shift)
        profile = self.plan.profile
        reading = decode(profile, profile.by_name[profile.uptime], block) if block is not None else None
        if reading is None or reading.quality is not Quality.GOOD:
            return
        before, self._uptime = self._uptime, float(reading.value)  # a number by its quantity
        if before is not None and self._uptime < before:
            raise _Restarted

    def _read_all(self, steps: Sequence[Step]) -> Script:
        """Each step once, with retries; refused blocks in parts."""
        tag, unit, number = self.tag, self.unit, self.round
        timeout_s, new = self.plan.limits.timeout_s, tuple.__new__
        for step in steps:
            if self._instead or self._most:
                yield from self._read(step)
                continue
            purpose, _, pdu = step
            # As Request(...), which passes through a Python function and takes twice the time.
            exchange = yield new(Request, (tag, purpose, number, 1, unit, pdu, timeout_s))
            if exchange.outcome is _DATA:
                self._failed_asks = 0
                self.answered = True
                self._last_ns = exchange.received_ns
            else:
                yield from self._settle(step, exchange)

    def _read(self, step: Step) -> Script:
        """One step as far as this device lets it be read, by what was learned before."""
        parts = self._instead.get(step.pdu)
        if parts is None:
            parts = self._small_enough(step)
        if parts is not None:
            for part in parts:
                yield from self._read(part)
            return
        exchange = yield self._request(step.purpose, step.pdu, 1)
        yield from self._settle(step, exchange)

    def _settle(self, step: Step, exchange: Exchange) -> _Ask:
        """Deal with the first answer to a step: retry, or ask in parts what was refused; the last answer."""
        exchange = yield from self._again(step.purpose, step.pdu, exchange)
        if exchange.exception_code not in (ILLEGAL_ADDRESS, ILLEGAL_VALUE):
            return exchange
        parts = self._parts(step, exchange.exception_code)
        self._instead[step.pdu] = parts
        for part in parts:
            yield from self._read(part)
        if parts and exchange.exception_code == ILLEGAL_ADDRESS:
            self._learn_limit(step, parts)
        return exchange

    def _parts(self, step: Step, code: int) -> tuple[Step, ...]:
        """What to ask instead of a refused step; () if nothing (more) is to be tried."""
        read, bits = step.read, step.read.area.is_bits
        if code == ILLEGAL_VALUE and bits not in self._most and read.quantity > 1:
            self._most[bits] = read.quantity // 2
            smaller = within(read, self._most[bits], self.plan.price)
            if smaller:
                return self._steps(step.purpose, smaller)
        return self._steps(step.purpose, parted(read))

    def _steps(self, purpose: Purpose, reads: Sequence[Read]) -> tuple[Step, ...]:
        self._splits += len(reads)
        if self._splits > self.pacing.splits:
            return ()
        return tuple(self.plan.step(purpose, read) for read in reads)

    def _small_enough(self, step: Step) -> tuple[Step, ...] | None:
        """Parts of a step that is larger than the device's learned limit; None if it is not."""
        most = self._most.get(step.read.area.is_bits)
        if most is None or step.read.quantity <= most:
            return None
        smaller = within(step.read, most, self.plan.price)
        parts = tuple(self.plan.step(step.purpose, read) for read in smaller) or None
        if parts:
            self._instead[step.pdu] = parts
        return parts

    def _learn_limit(self, step: Step, parts: Sequence[Step]) -> None:
        """If all parts of a block refused with exception 2 were read, the block was too long for it."""
        bits = step.read.area.is_bits
        if bits not in self._most and not any(part.pdu in self._instead for part in parts):
            self._most[bits] = max(part.read.quantity for part in parts)

    # attempts ----------------------------------------------------------------------------------------

    def _request(self, purpose: Purpose, pdu: bytes, attempt: int) -> Request:
        limits = self.plan.limits
        return Request(self.tag, purpose, self.round, attempt, self.unit, pdu, limits.timeout_s)

    def _attempts(self, purpose: Purpose, pdu: bytes) -> _Ask:
        exchange = yield self._request(purpose, pdu, 1)
        return (yield from self._again(purpose, pdu, exchange))

    def _again(self, purpose: Purpose, pdu: bytes, exchange: Exchange) -> _Ask:
        """Further attempts after the first one, as far as rule and budget allow; the last exchange.

        A connection that the device closed while idle is opened again once without counting as a fault.
        Raises _GivenUp when the device has shown that it gives no valid reply.
        """
        faults = busy = 0
        excused = not self.answered
        while not self._is_final(exchange):
            if exchange.exception_code in _BUSY:
                busy += 1
                if busy > self.pacing.busy_tries:
                    break
                yield exchange.received_ns + self.pacing.busy_ns(busy)
            elif exchange.outcome in _CUT and not excused:
                excused = True
            else:
                faults += 1
                if faults > self.plan.limits.retries:
                    break
                yield exchange.sent_ns + self._backoff_ns(faults)
            number = exchange.attempt + (exchange.outcome is not Outcome.NOT_SENT)
            exchange = yield self._request(purpose, pdu, number)
        self._heard(exchange)
        self._judge_silence(exchange)
        return exchange

    def _is_final(self, exchange: Exchange) -> bool:
        """True if asking the same again would not help."""
        if exchange.outcome is Outcome.EXCEPTION:
            return exchange.exception_code not in (*_BUSY, *_PASSING, *_PATH)
        return exchange.outcome is _DATA

    def _backoff_ns(self, faults: int) -> int:
        """Between attempts to a unit that fails; longer on a shared link: the others get their turns."""
        base_s = 2 * self.plan.limits.timeout_s if self.course.shared else 0.0
        return self.pacing.backoff_ns(faults, base_s)

    def _heard(self, exchange: Exchange) -> None:
        self._last_ns = exchange.received_ns
        if _speaks(exchange):
            self.answered = True
            self._failed_asks = 0

    def _judge_silence(self, exchange: Exchange) -> None:
        if _speaks(exchange):
            return
        self._failed_asks += 1
        if self._failed_asks >= 2 or not self.answered:
            raise _GivenUp


def _speaks(exchange: Exchange) -> bool:
    """True if the unit itself gave a valid reply (0x0A and 0x0B are the gateway's)."""
    outcome = exchange.outcome
    return outcome is _DATA or (outcome is Outcome.EXCEPTION and exchange.exception_code not in _PATH)
