"""Strict RTU on one line: serial, or tunnelled in TCP; what came is data only when everything matches.

An RTU frame has no transaction id. What an answer belongs to is known from unit, function and length alone,
so a late answer is dangerous: it looks like the next one. Therefore a unit owes an answer whenever its
request ended with anything else than a good answer: at a time-out, at noise or a damaged frame, at a frame
of another unit, function or length, at the end of a connection (a gateway hands the answer to the next one).

- An answer of a unit that owes one, while another unit is asked, is LATE;
- before the same unit is asked again, the line is drained until twice the time-out is over since its request,
  or until the answer that it owed has come (it is LATE, a stray).
- A line that does not fall silent is waited for no longer than the time-out of the request that wants it.

What ends the wait: a whole frame (length from function and byte count, and checksum) as for Modbus TCP; a
frame of full length whose checksum is wrong, BAD_CHECKSUM; bytes that make no frame, BAD_FRAME at the
time-out. After a framing fault RTU over TCP closes its socket. A serial line is resynchronised by silence,
as the standard lets every receiver do, and stays open.
Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, 2.4.1, 2.5.1.
"""

from __future__ import annotations

import asyncio
from typing import NamedTuple

from probe.model.clock import RunClock
from probe.model.evidence import Exchange, Framing, Outcome
from probe.model.pdu import EXCEPTION_BIT, check_reply
from probe.model.profile import Quirks
from probe.wire import rtu
from probe.wire.allowed import ensure_read
from probe.wire.connection import KEPT_BYTES, Answer, Connection
from probe.wire.link import Request, StrayHandler
from probe.wire.lost_time import GRANTS

_GOOD = (Outcome.DATA, Outcome.EXCEPTION)


class _Debt(NamedTuple):
    """An answer that may still come."""

    tag: str
    pdu: bytes  # of the request
    since: float  # loop time, as the next
    until: float

    def may_be(self, frame: bytes) -> bool:
        """True if the frame has the function that was asked for."""
        return frame[1] & ~EXCEPTION_BIT == self.pdu[0]

    def is_paid_by(self, frame: bytes) -> bool:
        """True if the frame fits the request in length too."""
        return check_reply(self.pdu, frame[1:-2])[0] in _GOOD


class RtuLink(Connection):
    """The part common to both carriers of RTU frames.

    silence_s: least pause on the line before a request. closes: after a framing fault the link closes itself.
    """

    __slots__ = (
        "_answered",
        "_busy",
        "_closes",
        "_debts",
        "_drained",
        "_drains",
        "_quiet_from",
        "_silence_s",
    )

    #: What every request must pass; ``clock_write`` has its own.
    _ensure = staticmethod(ensure_read)

    def __init__(
        self, name: str, clock: RunClock, on_stray: StrayHandler, *, silence_s: float, closes: bool
    ) -> None:
        super().__init__(name, clock, on_stray)
        self._silence_s = silence_s
        self._closes = closes
        self._busy = False
        self._quiet_from = 0.0  # loop time of the last byte on the line
        self._answered = b""  # the last answer, to know its repetition
        self._debts: dict[int, _Debt] = {}  # by unit
        self._drained: asyncio.Future[None] | None = None
        self._drains = 0  # the unit whose answer is waited for

    @property
    def is_open(self) -> bool:
        """True while requests can be sent; a request waits until bytes that make no frame have settled."""
        return self._transport is not None and not self._leaving

    def _owes(self) -> bool:
        return bool(self._debts)

    # ------------------------------------------------------------------ one exchange

    async def exchange(self, request: Request, quirks: Quirks) -> Exchange:
        """Send one request and wait for its answer or the time-out; see ``Link.exchange``."""
        self._ensure(request.pdu)
        if self._busy:
            raise RuntimeError(f"{self.name}: a request is in flight already")
        self._busy = True
        try:
            return await self._exchange(request, quirks)
        finally:
            self._busy = False

    async def _exchange(self, request: Request, quirks: Quirks) -> Exchange:
        frame = rtu.build(request.unit, request.pdu)
        if self.is_open:
            await self._drain(request, quirks)
        transport = self._transport
        if transport is None or not self.is_open:
            now_ns = self._now_ns()
            return _exchange_of(request, now_ns, (now_ns, Outcome.NOT_SENT, 0, b""), frame)
        self._request, self._quirks = request, quirks
        self._requests += 1
        waiter: asyncio.Future[Answer] = self._loop.create_future()
        self._waiter = waiter
        self._deadline = self._loop.time() + request.timeout_s
        if self._timer is None or self._deadline < self._timer_at:
            self._arm(self._deadline)
        sent_ns = self._now_ns()
        transport.write(frame)
        self._quiet_from = self._loop.time()
        try:
            return _exchange_of(request, sent_ns, await waiter, frame)
        except asyncio.CancelledError:
            if self._waiter is waiter:
                self._waiter = None
                self._owe(request)
            raise

    async def _drain(self, request: Request, quirks: Quirks) -> None:
        """Wait until no old answer of this unit can come any more, and until the line is silent."""
        for owing in list(self._debts) if quirks.unit_not_echoed else [request.unit]:
            debt = self._debts.get(owing)
            if debt is not None:
                self._drained, self._drains = self._loop.create_future(), owing
                await self._wait_out(debt, self._drained)
                self._drained = None
                if self._transport is None:
                    return  # the next connection may bring it yet
                self._debts.pop(owing, None)
        patient_until = self._loop.time() + request.timeout_s
        while self._transport is not None and (pause := self._pause()) > 0:
            if self._loop.time() > patient_until:
                return  # something speaks without end: the request will end as a fault, with the bytes
            await asyncio.sleep(pause)

    async def _wait_out(self, debt: _Debt, paid: asyncio.Future[None]) -> None:
        """Until it is paid or its time is over; what this computer lost of that time is added."""
        await asyncio.wait((paid,), timeout=max(0.0, debt.until - self._loop.time()))
        for _ in range(GRANTS):
            if paid.done() or self._lost is None:
                return
            more_s = self._lost.more(debt.since, debt.until - debt.since)
            if not more_s:
                return
            await asyncio.wait((paid,), timeout=more_s)

    def _pause(self) -> float:
        """Seconds until a request may be sent: bytes that make no frame settle, the line is silent."""
        ready = self._quiet_from + self._silence_s
        if self._condemned:
            ready = max(ready, self._settle_at + 0.001)
        return ready - self._loop.time()

    # ------------------------------------------------------------------ what comes

    def data_received(self, data: bytes) -> None:
        """Take the bytes; a frame is looked for only at their start (no hunting)."""
        self._quiet_from = self._loop.time()
        rest = self._rest
        if len(rest) < KEPT_BYTES:
            rest += data
        if self._condemned:
            self._condemn()
        while rest and not self._condemned:
            size = rtu.reply_size(rest)
            if not size or len(rest) < size:
                if not rtu.is_measurable(rest) or self._waiter is None:
                    self._condemn()  # only silence can end it
                return
            if not rtu.is_whole(bytes(rest[:size])):
                self._condemn()
                return
            frame = bytes(rest[:size])
            del rest[:size]
            self._take(self._now_ns(), frame)

    def _take(self, now_ns: int, frame: bytes) -> None:
        """Give one whole frame its place: the answer, or a stray with its name."""
        debt = self._debts.get(frame[0])
        request = self._request
        waits = self._waiter is not None and request is not None
        if waits and request is not None and (frame[0] == request.unit or self._quirks.unit_not_echoed):
            self._answered = frame
            outcome, code = check_reply(request.pdu, frame[1:-2])
            self._end(now_ns, outcome, code, frame)
        elif debt is not None and debt.may_be(frame):
            self._stray(now_ns, Outcome.LATE, frame, debt.tag)
            if debt.is_paid_by(frame):
                self._forgive(frame[0])
        elif waits:
            self._end(now_ns, Outcome.WRONG_UNIT, 0, frame)
        elif frame == self._answered:
            self._stray(now_ns, Outcome.REPEATED, frame)
        else:
            self._stray(now_ns, Outcome.UNASKED, frame)

    def _name_of_rest(self) -> Outcome:
        """BAD_CHECKSUM for bytes of a frame's full length, BAD_FRAME for all else."""
        size = rtu.reply_size(self._rest)
        return Outcome.BAD_CHECKSUM if 0 < size <= len(self._rest) else Outcome.BAD_FRAME

    # ------------------------------------------------------------------ time-out and faults

    def _time_out(self) -> None:
        if self._rest:
            self._settled()
            return
        self._end(self._now_ns(), Outcome.NO_ANSWER, 0, b"")

    def _end(self, now_ns: int, outcome: Outcome, code: int, response: bytes) -> None:
        """As ``Connection._end``; an answer that was not good may still come, and looks like the next one."""
        if outcome not in _GOOD and self._waiter is not None and self._request is not None:
            self._owe(self._request)
        super()._end(now_ns, outcome, code, response)

    def _owe(self, request: Request) -> None:
        """Until as long after the open request's deadline as it was waited for, its answer may still come."""
        now = self._loop.time()
        until = max(self._deadline, now) + request.timeout_s
        self._debts[request.unit] = _Debt(request.tag, request.pdu, now, until)

    def _forgive(self, unit: int) -> None:
        """The answer has come; whoever waits for that one need wait no longer."""
        del self._debts[unit]
        if self._drained is not None and self._drains == unit and not self._drained.done():
            self._drained.set_result(None)

    def _settled(self) -> None:
        """Silence after bytes that could not be cut by length: as a whole they are a frame, or nothing."""
        whole = rtu.is_whole(bytes(self._rest))
        self._condemned = False
        if whole:
            self._take(self._now_ns(), self._take_rest())
            return
        now_ns, outcome, data = self._now_ns(), self._name_of_rest(), self._take_rest()
        if self._waiter is not None:
            self._end(now_ns, outcome, 0, data)
        else:
            self._stray(now_ns, outcome, data)
        self._after_fault()

    def _after_fault(self) -> None:
        if self._closes:
            self._drop()

    def _leave(self, *, by_peer: bool) -> None:
        if self._drained is not None and not self._drained.done():
            self._drained.set_result(None)
        super()._leave(by_peer=by_peer)


def _exchange_of(request: Request, sent_ns: int, answer: Answer, frame: bytes) -> Exchange:
    received_ns, outcome, code, response = answer
    return Exchange(
        request.tag,
        request.purpose,
        Framing.RTU,
        request.round,
        request.attempt,
        sent_ns,
        received_ns,
        outcome,
        code,
        frame,
        response,
    )
