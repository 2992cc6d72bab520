"""Strict Modbus TCP on one socket: what came is data only when everything in it matches what was asked.

Why not a library's client: docs/decisions/0003. This is the hot path of an audit (thousands of exchanges a
second), so the usual answer is recognised by one comparison: its first nine bytes are known beforehand.
Everything else takes the slow road in ``_digest`` and gets a name.

What ends the wait for an answer:

    right transaction id, protocol 0, unit, function, byte count   DATA (or EXCEPTION, one code byte)
    right transaction id, but another unit, function or length     WRONG_UNIT, WRONG_FUNCTION, SHORT, ...
    bytes that make no frame                                       BAD_FRAME, WRONG_PROTOCOL; link closes
    the other side closes or resets                                CLOSED, RESET
    the time-out                                                   NO_ANSWER; WRONG_TRANSACTION if a frame
                                                                   with an id never used had come

What is reported as a stray while the wait goes on (or when nobody waits): LATE, the id of a request that
was given up; REPEATED, the id of one that was answered; UNASKED, an id that was never used.

Transaction ids count from 1 for each link and are never 0. After a time-out the count jumps, so that a
device that adds to the id cannot hit the next request with the answer to the last one.
Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3, 4.4.1.2.
"""

from __future__ import annotations

import asyncio
import functools
from typing import cast

from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.evidence import Exchange, Framing, Outcome
from probe.model.pdu import READ_DEVICE_ID, check_reply, data_size
from probe.model.profile import Quirks
from probe.wire import mbap
from probe.wire.allowed import ensure_read
from probe.wire.connection import KEPT_BYTES, Connection
from probe.wire.dial import dial
from probe.wire.link import Follow, Request, StrayHandler

JUMP = 256  # transaction ids left out after a time-out

_DATA = Outcome.DATA
_MBAP = Framing.MBAP


@functools.lru_cache(maxsize=8192)
def _shape(unit: int, pdu: bytes) -> tuple[bytes, bytes, int]:
    """Request frame and start of the only good data reply, both without transaction id; its whole size.

    Size 0: the reply's length is not known beforehand. Raises WriteRefused (never cached).
    """
    ensure_read(pdu)
    tail = mbap.build(0, unit, pdu)[2:]
    if pdu[0] == READ_DEVICE_ID[0]:
        return tail, b"", 0
    count = data_size(pdu)
    return tail, mbap.build(0, unit, bytes((pdu[0], count)) + bytes(count))[2:9], 9 + count


class TcpLink(Connection):
    """Implements Link for Modbus TCP. One request is in flight at most."""

    __slots__ = (
        "_address",
        "_expect",
        "_first",
        "_follow",
        "_frame",
        "_given_up",
        "_held",
        "_local_address",
        "_ranges",
        "_sent_ns",
        "_size",
        "_transaction",
        "_wrong",
    )

    #: The only way from a PDU to a frame; ``clock_write`` has its own.
    _shape = staticmethod(_shape)

    def __init__(
        self,
        target: Target,
        clock: RunClock,
        on_stray: StrayHandler,
        *,
        local_address: str | None = None,
    ) -> None:
        super().__init__(target.link, clock, on_stray)
        self._address = (target.host, target.port)
        self._local_address = local_address
        # of the open request: its frame, when it went, start and size of the only good data answer
        self._frame = self._expect = b""
        self._sent_ns = self._size = 0
        self._follow: Follow | None = None
        self._held: tuple[asyncio.Future[Exchange], Exchange] | None = None  # until ``resume``
        self._wrong: tuple[int, bytes] | None = None  # time and frame with an id that was never used
        self._transaction = 0  # of the last request
        self._first = 1  # id after the last jump
        self._ranges: list[tuple[int, int]] = []  # ids used before it
        self._given_up: dict[int, str] = {}  # id to tag

    async def _dial(self) -> None:
        await dial(self, *self._address, local_address=self._local_address)

    def _owes(self) -> bool:
        return bool(self._given_up)

    # ------------------------------------------------------------------ one exchange

    async def exchange(self, request: Request, quirks: Quirks) -> Exchange:
        """Send one request and wait for its answer or the time-out.

        Raises WriteRefused (a bug of ours) if the request is not on the allow-list, RuntimeError if another
        request is in flight. After BAD_FRAME or WRONG_PROTOCOL the link has closed itself.
        """
        return await self._carry_out(request, quirks, None)

    async def converse(self, request: Request, quirks: Quirks, follow: Follow) -> Exchange:
        """Send a request, and after each plain good answer the one that follows; the exchange that ended it.

        follow: called with the answer where it comes, in the event loop's callback, so that no task has to be
        woken for it (a third of the cost of an exchange in a run over a thousand devices). What it raises is
        raised here. Any other end of a wait (an exception code, silence, a fault) ends the conversation
        without ``follow`` having seen it. Raises as ``exchange``.

        While ``follow`` says HOLD nothing is asked, until ``resume``. If the connection ends before that, the
        conversation ends with the answer that ``follow`` saw last.
        """
        return await self._carry_out(request, quirks, follow)

    async def _carry_out(self, request: Request, quirks: Quirks, follow: Follow | None) -> Exchange:
        if self._waiter is not None:
            raise RuntimeError(f"{self.name}: a request is in flight already")
        self._quirks = quirks
        self._follow = follow
        if not self._send(request):
            return self._result(self._sent_ns, Outcome.NOT_SENT, 0, b"")
        waiter: asyncio.Future[Exchange] = self._loop.create_future()
        self._waiter = waiter
        try:
            return await waiter
        except asyncio.CancelledError:
            if self._waiter is waiter:
                self._waiter = None
                self._give_up(self._tag())
            raise
        finally:
            self._follow = None  # it may hold all that was seen of a device

    def _send(self, request: Request) -> bool:
        """Send the request as the open one; False if there is no connection."""
        tail, expect, size = self._shape(request.unit, request.pdu)
        transaction = self._transaction + 1
        if transaction > 0xFFFF:
            transaction = self._wrap()
        self._transaction = transaction
        number = transaction.to_bytes(2, "big")
        self._request = request
        self._frame = frame = number + tail
        transport = self._transport
        if transport is None or self._condemned or self._leaving:
            self._sent_ns = self._now_ns()
            return False
        self._expect = number + expect
        self._size = size
        self._requests += 1
        self._deadline = deadline = self._loop.time() + request.timeout_s
        if deadline < self._timer_at or self._timer is None:
            self._arm(deadline)
        self._sent_ns = self._now_ns()
        transport.write(frame)
        return True

    def _result(self, now_ns: int, outcome: Outcome, code: int, response: bytes) -> Exchange:
        """What became of the open request."""
        tag, purpose, poll_round, attempt, _, _, _ = cast("Request", self._request)
        # As Exchange(...), which passes through a Python function and takes twice the time.
        return tuple.__new__(
            Exchange,
            (
                tag,
                purpose,
                _MBAP,
                poll_round,
                attempt,
                self._sent_ns,
                now_ns,
                outcome,
                code,
                self._frame,
                response,
            ),
        )

    def _tag(self) -> str:
        return self._request.tag if self._request is not None else ""

    def data_received(self, data: bytes) -> None:
        """The usual answer is recognised by its first nine bytes and its length; see ``_digest``."""
        waiter = self._waiter
        if (
            waiter is not None
            and len(data) == self._size
            and data.startswith(self._expect)
            and not self._rest
            and self._wrong is None
        ):
            received_ns = self._now_ns()
            if waiter.done():  # cancelled in this turn of the loop
                self._waiter = None
                self._give_up(self._tag())
                self._digest(received_ns, data)
                return
            exchange = self._result(received_ns, _DATA, 0, data)
            try:
                request = None if self._follow is None else self._follow(exchange)
                if type(request) is Request:
                    if not self._send(request):
                        self._end(self._sent_ns, Outcome.NOT_SENT, 0, b"")
                    return
                self._waiter = None  # nothing is asked now
                if request is None:
                    waiter.set_result(exchange)
                else:
                    self._held = waiter, exchange
            except Exception as error:  # noqa: BLE001 - raised where the conversation is waited for
                self._waiter = None
                waiter.set_exception(error)
            return
        self._digest(self._now_ns(), data)

    def resume(self, request: Request | None) -> None:
        """Go on with the conversation that is held; None ends it with the answer that was followed last.

        Nothing happens if it has ended meanwhile. What sending raises is raised by ``converse``.
        """
        held, self._held = self._held, None
        if held is None or held[0].done():
            return
        waiter, exchange = held
        if request is None or not self.is_open:
            waiter.set_result(exchange)
            return
        self._waiter = waiter
        try:
            if not self._send(request):
                self._end(self._sent_ns, Outcome.NOT_SENT, 0, b"")
        except Exception as error:  # noqa: BLE001 - as in data_received
            self._waiter = None
            waiter.set_exception(error)

    def _leave(self, *, by_peer: bool) -> None:
        self.resume(None)
        super()._leave(by_peer=by_peer)

    def _end(self, now_ns: int, outcome: Outcome, code: int, response: bytes) -> None:
        """End the wait with this outcome; a frame kept under another id becomes a stray."""
        wrong, self._wrong = self._wrong, None
        if wrong is not None:
            self._stray(wrong[0], Outcome.UNASKED, wrong[1])
        super()._end(now_ns, outcome, code, response)

    # ------------------------------------------------------------------ time-out and transaction ids

    def _time_out(self) -> None:
        if self._rest:  # a part of a frame, or a header whose rest never came
            self._settled()
            return
        wrong, self._wrong = self._wrong, None
        self._give_up(self._tag())
        if wrong is not None:
            self._end(wrong[0], Outcome.WRONG_TRANSACTION, 0, wrong[1])
        else:
            self._end(self._now_ns(), Outcome.NO_ANSWER, 0, b"")
        if self._quirks.transaction_not_echoed:
            self._drop()  # without ids a late answer could not be told from the next one

    def _give_up(self, tag: str) -> None:
        """Remember the id, so that a late answer is known, and jump ahead."""
        self._given_up[self._transaction] = tag
        self._ranges.append((self._first, self._transaction))
        self._transaction += JUMP
        self._first = self._transaction + 1

    def _wrap(self) -> int:
        """Start again at 1 after 65,535 ids; what was given up so long ago is forgotten."""
        self._ranges.clear()
        self._given_up.clear()
        self._first = 1
        return 1

    def _was_used(self, transaction: int) -> bool:
        if self._first <= transaction <= self._transaction:
            return True
        return any(first <= transaction <= last for first, last in self._ranges)

    # ------------------------------------------------------------------ the slow road

    def _digest(self, now_ns: int, data: bytes) -> None:
        """Cut what came into frames by their length, and name each; segments need not be frames."""
        rest = self._rest
        if len(rest) < KEPT_BYTES:
            rest += data
        if self._condemned:
            self._condemn()
        while rest and not self._condemned:
            if mbap.is_out_of_step(rest):
                self._condemn()
                return
            size = mbap.size(rest)
            if not size or len(rest) < size:
                return
            frame = bytes(rest[:size])
            del rest[:size]
            self._take(now_ns, frame)

    def _name_of_rest(self) -> Outcome:
        """WRONG_PROTOCOL for a whole frame under the last id in which only the protocol id is not 0."""
        rest = self._rest
        whole = mbap.SMALLEST <= len(rest) <= mbap.LARGEST and len(rest) == mbap.size(rest)
        if whole and mbap.transaction_of(rest) == self._transaction and (rest[2] or rest[3]):
            return Outcome.WRONG_PROTOCOL
        return Outcome.BAD_FRAME

    def _take(self, now_ns: int, frame: bytes) -> None:
        """Give one whole frame its place: the answer, or a stray with its name."""
        transaction = mbap.transaction_of(frame)
        waits = self._waiter is not None
        if waits and (transaction == self._transaction or self._quirks.transaction_not_echoed):
            outcome, code = self._check(frame)
            self._end(now_ns, outcome, code, frame)
        elif transaction in self._given_up:
            self._stray(now_ns, Outcome.LATE, frame, self._given_up.pop(transaction))
        elif self._was_used(transaction):
            self._stray(now_ns, Outcome.REPEATED, frame)
        elif waits and self._wrong is None:
            self._wrong = (now_ns, frame)
        else:
            self._stray(now_ns, Outcome.UNASKED, frame)

    def _check(self, frame: bytes) -> tuple[Outcome, int]:
        request = cast("Request", self._request)
        if frame[6] != request.unit and not self._quirks.unit_not_echoed:
            return Outcome.WRONG_UNIT, 0
        return check_reply(request.pdu, frame[7:])
