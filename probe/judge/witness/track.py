"""Track: what one device was seen to do: its signals, when each changed, whether it answered.

A change is an interval, not an instant: it happened after the request whose answer still showed the old
value was sent, and before the answer that showed the new one had come.

    request  answer          request  answer
    old ------'               new ------'
    |<---------- the change lies in here ---------->|

Silence: two attempts in a row without a valid reply; one alone is noise. Then the device was lost between the
last request that it answered and the end of waiting for the first that it did not.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from probe.judge.blocks import Block, block_of, decode, holds
from probe.judge.witness.sense import Sense, SignalValue
from probe.model.evidence import Connect, ConnectOutcome, Exchange, Outcome
from probe.model.profile import Point
from probe.model.reading import Quality, Value
from probe.model.signal_words import NO, YES, Signal

ANSWERS = Signal("answers")
#: A gateway says so for a unit that does not answer it.
_OF_THE_PATH = (0x0A, 0x0B)
_SILENT = 2


class Change(NamedTuple):
    """One change of one signal of one device, between low_ns and high_ns of the run."""

    tag: str
    signal: Signal
    before: SignalValue
    after: SignalValue
    low_ns: int
    high_ns: int
    evidence: tuple[int, ...]


class Sample(NamedTuple):
    """When a signal was seen last: the request was sent, the answer had come, its number in the record."""

    sent_ns: int
    received_ns: int
    sequence: int


class Track:
    """One device, from the first piece of evidence on; ``take`` it in the order of the record."""

    def __init__(self, tag: str, sense: Sense, shift: int, extra: Iterable[Signal] = ()) -> None:
        """shift: of the device's registers. extra: signals to follow beside the standing ones."""
        self.tag = tag
        self.sense = sense
        self._shift = shift
        self.signals = tuple(dict.fromkeys((*sense.standing, *(s for s in extra if sense.has(s)))))
        self.current: dict[Signal, SignalValue] = {}
        self.seen: dict[Signal, Sample] = {}
        self.changes: list[Change] = []
        self.values: dict[str, tuple[Value, Quality]] = {}
        #: When each point was read last, for those of the event log and the clock.
        self.read: dict[str, Sample] = {}
        self._last: dict[tuple[int, int, int], bytes] = {}
        self._signals_at: dict[tuple[int, int, int], tuple[Signal, ...]] = {}
        self._points_at: dict[tuple[int, int, int], tuple[Point, ...]] = {}
        self._failures: list[tuple[int, int, int]] = []  # sent, received, number
        #: When the device was asked last, answered or not.
        self.asked_ns = 0
        self._failed_ns = 0  # the last attempt without a valid reply was sent

    # -- evidence ------------------------------------------------------------------------------------------

    def take(self, number: int, exchange: Exchange) -> list[Change]:
        """The changes that this exchange shows."""
        sample = Sample(exchange.sent_ns, exchange.received_ns, number)
        self.asked_ns = max(self.asked_ns, exchange.sent_ns)
        if exchange.outcome is Outcome.NOT_SENT:
            return []
        if not _is_reply(exchange):
            return self._missed(sample)
        found = self._answered(sample)
        block = block_of(number, exchange, self._shift)
        return found + (self._block(block, sample) if block is not None else [])

    def take_connect(self, number: int, connect: Connect) -> list[Change]:
        """The changes that an attempt to connect to the device's link shows."""
        self.asked_ns = max(self.asked_ns, connect.sent_ns)
        if connect.outcome is ConnectOutcome.OPEN:
            return []
        return self._missed(Sample(connect.sent_ns, connect.received_ns, number))

    def _answered(self, sample: Sample) -> list[Change]:
        self._failures.clear()
        return self._set(ANSWERS, YES, sample, since_ns=self._failed_ns)

    def _missed(self, sample: Sample) -> list[Change]:
        self._failures.append(sample)
        self._failed_ns = sample.sent_ns
        if len(self._failures) < _SILENT:
            return []
        first = Sample(*self._failures[0])
        if self.current.get(ANSWERS) == NO:
            self.seen[ANSWERS] = sample
            return []
        return self._set(ANSWERS, NO, first)

    def _block(self, block: Block, sample: Sample) -> list[Change]:
        key = (block.function, block.start, block.size)
        points = self._points_at.get(key)
        if points is None:
            points = self._points_at[key] = tuple(p for p in self.sense.profile.points if holds(block, p))
            names = {point.name for point in points}
            touched = [s for s in self.signals if names.intersection(self.sense.points_of(s))]
            self._signals_at[key] = tuple(touched)
        for point in points:
            self.read[point.name] = sample
        if self._last.get(key) != block.data:
            self._last[key] = block.data
            for point in points:
                reading = decode(self.sense.profile, point, block)
                self.values[point.name] = (reading.value, reading.quality)
        found: list[Change] = []
        for signal, value in self.sense.values(self._signals_at[key], self.values):
            found += self._set(signal, value, sample)
        return found

    def _set(
        self, signal: Signal, value: SignalValue, sample: Sample, since_ns: int | None = None
    ) -> list[Change]:
        """Note the value; the change, if it is another than before. since_ns: instead of the last sample."""
        before, last = self.current.get(signal), self.seen.get(signal)
        self.current[signal] = value
        self.seen[signal] = sample
        if before is None or last is None or before == value:
            return []
        low_ns = since_ns or last.sent_ns
        change = Change(
            self.tag, signal, before, value, low_ns, sample.received_ns, (last.sequence, sample.sequence)
        )
        self.changes.append(change)
        return [change]

    # -- questions -----------------------------------------------------------------------------------------

    def at(self, signal: Signal, at_ns: int) -> SignalValue | None:
        """The signal's value as it was known at an instant; None if it was not known then."""
        if signal not in self.current:
            return None
        later = [c for c in self.changes if c.signal == signal and c.high_ns > at_ns]
        return later[0].before if later else self.current[signal]

    def during(self, since_ns: int) -> list[Change]:
        """Changes that were not over before the instant."""
        return [change for change in self.changes if change.high_ns > since_ns]


def _is_reply(exchange: Exchange) -> bool:
    """True for an answer of the device itself."""
    if exchange.outcome is Outcome.EXCEPTION:
        return exchange.exception_code not in _OF_THE_PATH
    return exchange.outcome is Outcome.DATA
