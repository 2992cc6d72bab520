"""Setting a practice device's clock by Modbus: the only registers of the lineup that can be written.

What may be written is what the device's profile says (``clock: write:``): these registers with this function,
and the latch if it has one. Everything else is refused as by a device that can only be read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from probe.model.clock_decoder import ClockDecoder
from probe.model.profile import ClockWrite
from probe.model.write_pdu import WRITE_ONE
from probe.practice.clockwork import DeviceClock, Moment
from probe.practice.part import Part
from probe.practice.server import Refusal

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3


class ClockSetter:
    """Takes what is written to one device. zone_s: local time less UTC at the lineup.

    Refusals in the order of the standard's state diagrams: function, then address, then value (MODBUS
    Application Protocol Specification V1.1b3, 6.6, 6.12).
    """

    def __init__(self, part: Part, zone_s: float) -> None:
        self._part = part
        rule = part.profile.clock
        self._rule = None if rule is None else rule.write
        self._ahead_s = zone_s if rule is not None and rule.zone == "local" else 0.0
        self._waiting: dict[int, int] = {}
        self._back: tuple[float, DeviceClock] | None = None

    def write(self, function: int, start: int, words: Sequence[int], moment: Moment) -> None:
        """Take the registers. start: PDU address without the device's shift. Raises Refusal."""
        rule = self._rule
        if rule is None:
            raise Refusal(ILLEGAL_FUNCTION)
        if self._part.refuses_writes:
            raise Refusal(self._part.refuses_writes)
        latch = rule.latch
        if latch is not None and (function, start) == (WRITE_ONE, latch.start):
            if list(words) != [latch.value]:
                raise Refusal(ILLEGAL_VALUE)
            self._take(rule, moment)
            return
        if function != rule.function:
            raise Refusal(ILLEGAL_FUNCTION)
        if not (rule.start <= start and start + len(words) <= rule.start + rule.registers):
            raise Refusal(ILLEGAL_ADDRESS)
        self._waiting.update({start + i: word for i, word in enumerate(words)})
        if latch is None and len(self._waiting) == rule.registers:
            self._take(rule, moment)

    def _take(self, rule: ClockWrite, moment: Moment) -> None:
        """Let the clock show what was written, from now on."""
        words = [self._waiting.get(rule.start + i) for i in range(rule.registers)]
        self._waiting.clear()
        decoder = rule.decoder
        assert isinstance(decoder, ClockDecoder)
        raw = b"".join((word or 0).to_bytes(2, "big") for word in words)
        stamp = None if None in words else decoder.stamp(raw)
        if stamp is None:
            raise Refusal(ILLEGAL_VALUE)
        if self._part.ignores_writes:
            return
        self._set(stamp.wall_s + stamp.millisecond / 1000 - self._ahead_s, moment)

    def _set(self, shown_s: float, moment: Moment) -> None:
        part = self._part
        if part.reverts_after_s is not None:
            self._back = (moment.since_s + part.reverts_after_s, part.clock)
        part.set_clock(epoch_s=None)
        missing_s = shown_s - part.clock.shows(moment.truth_s, moment.truth_s - moment.since_s)
        part.clock = replace(part.clock, offset_s=part.clock.offset_s + missing_s)

    def tick(self, moment: Moment) -> None:
        """Let another master set the clock back when its time has come."""
        if self._back is not None and moment.since_s >= self._back[0]:
            self._part.clock, self._back = self._back[1], None
