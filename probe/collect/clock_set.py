"""Clock set: writes one device's clock, aimed so that the latency of the write is allowed for.

    read twice (how long is the way?)  ->  what goes before  ->  wait  ->  the write that counts  ->  read

One attempt: a write that was not answered may have been taken or not, and its value is old by then; what
became of it is for the readings afterwards to say. Reads only go before it, nothing else after it. Everything
is kept, with all bytes.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from probe.collect.clock_setting import LEAD_NS, MS_NS, Setting
from probe.collect.device_plan import Step
from probe.collect.pacing import SECOND_NS
from probe.judge.reference import Reference, Tie
from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.errors import RecordError
from probe.model.evidence import ConnectOutcome, Evidence, Exchange, Outcome, Purpose, Stray
from probe.model.profile import Limits, Quirks
from probe.wire.clock_write import Permit, clock_write_link, permit_of
from probe.wire.link import Link, Request, StrayHandler

ClockLinkFactory = Callable[[Target, RunClock, StrayHandler, Permit], Link]
#: From here on the wait for the instant is a busy one: timers of an event loop are a millisecond coarse.
_SPIN_NS = 2 * MS_NS
_SPINS = 2_000  # many times what fits into that
_TRIPS = 2
#: Instants that are tried while what goes before takes longer than was left for it.
_AIMS = 3
#: Number of the round in the evidence.
WRITE_ROUND = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Writer:
    """Writes one clock. keep: takes the evidence. tie: run time to wall time. step: how to read the clock."""

    setting: Setting
    target: Target
    step: Step
    limits: Limits
    quirks: Quirks
    reference: Reference
    tie: Tie
    clock: RunClock
    keep: Callable[[Evidence], int]
    make_link: ClockLinkFactory = clock_write_link

    async def write(self) -> bool:
        """Set the clock; True if anything was written, so that the clock has to be measured again."""
        permit = permit_of(self.target.unit, self.setting.write, self.setting.shift)
        link = self.make_link(self.target, self.clock, self._stray, permit)
        connect = await link.open(max(self.limits.first_timeout_s, self.limits.timeout_s))
        self.keep(connect)
        if connect.outcome is not ConnectOutcome.OPEN:
            return False
        try:
            await asyncio.sleep(self.limits.connect_pause_s)
            return await self._over(link)
        finally:
            disconnect = await link.close()
            if disconnect is not None:
                self.keep(disconnect)

    def _stray(self, stray: Stray) -> None:
        """Keep bytes that answer nothing; a record that fails is noticed at the next piece of evidence."""
        with suppress(RecordError, OSError):
            self.keep(stray)

    async def _over(self, link: Link) -> bool:
        """Everything that goes over the open link; True if at least one write was sent."""
        trips = [trip for trip in [await self._read(link) for _ in range(_TRIPS)] if trip is not None]
        if not trips:
            return False
        trip_ns = min(trips)
        lead_ns = LEAD_NS
        for _ in range(_AIMS):
            instant_ms = self._next_step_ms(self.clock.now_ns() + lead_ns + trip_ns // 2)
            *before, last = self.setting.requests(instant_ms)
            began_ns = self.clock.now_ns()
            for pdu in before:
                if (await self._write(link, pdu)).outcome is not Outcome.DATA:
                    return True
            if await self._reach(self._send_ns(instant_ms, trip_ns)):
                await self._write(link, last)
                await self._read(link)
                return True
            lead_ns += 2 * (self.clock.now_ns() - began_ns)
        return False

    # --- the instant -------------------------------------------------------------------------------------

    def _next_step_ms(self, earliest_ns: int) -> int:
        """The reference's next whole step at or after an instant of the run, Unix milliseconds."""
        step_ns = self.setting.step_ms * MS_NS
        shown_ns = earliest_ns + self._ahead_ns(earliest_ns)
        return -(-shown_ns // step_ns) * self.setting.step_ms

    def _send_ns(self, instant_ms: int, trip_ns: int) -> int:
        """When to send, so that the device takes the value when the reference shows it."""
        return instant_ms * MS_NS - self._ahead_ns(self.clock.now_ns()) - trip_ns // 2

    def _ahead_ns(self, at_ns: int) -> int:
        """The reference's Unix time less the run's time, nanoseconds."""
        return self.tie.wall_ns + round(self.reference.at(at_ns).middle * SECOND_NS)

    async def _reach(self, due_ns: int) -> bool:
        """Return at the instant; False if it has passed."""
        if self.clock.now_ns() > due_ns + MS_NS:
            return False
        while (left_ns := due_ns - self.clock.now_ns()) > _SPIN_NS:  # noqa: ASYNC110  an instant is no event
            await asyncio.sleep((left_ns - _SPIN_NS) / SECOND_NS)
        for _ in range(_SPINS):
            if self.clock.now_ns() >= due_ns:
                return True
            await asyncio.sleep(0)
        await asyncio.sleep((due_ns - self.clock.now_ns()) / SECOND_NS)
        return True

    # --- one request -------------------------------------------------------------------------------------

    async def _read(self, link: Link) -> int | None:
        """Read the clock once; how long it took in nanoseconds, None without an answer."""
        exchange = await self._ask(link, Purpose.CLOCK, self.step.pdu)
        return exchange.reply_ns if exchange.outcome is Outcome.DATA else None

    async def _write(self, link: Link, pdu: bytes) -> Exchange:
        return await self._ask(link, Purpose.CLOCK_SET, pdu)

    async def _ask(self, link: Link, purpose: Purpose, pdu: bytes) -> Exchange:
        """One attempt of one request, kept; then the pause that the device needs."""
        tag, unit = self.setting.tag, self.target.unit
        request = Request(tag, purpose, WRITE_ROUND, 1, unit, pdu, self.limits.timeout_s)
        exchange = await link.exchange(request, self.quirks)
        self.keep(exchange)
        if self.limits.gap_s:
            await asyncio.sleep(self.limits.gap_s)
        return exchange
