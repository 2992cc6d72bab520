"""One connection with at most one open request: its opening, its end, its one timer. Framing is elsewhere.

Common to all links. A subclass says how to dial, how requests are framed (``exchange``), what incoming
bytes are (``data_received``) and what a time-out means (``_time_out``).
"""

from __future__ import annotations

import asyncio
from typing import Any, cast

from probe.model.clock import RunClock
from probe.model.evidence import Connect, ConnectOutcome, Disconnect, Outcome, Stray
from probe.model.profile import Quirks
from probe.wire.failure import broken_outcome, connect_outcome, detail_of
from probe.wire.link import Request, StrayHandler
from probe.wire.lost_time import GRANTS, LostTime, PatientTimeout

SETTLE_S = 0.05  # silence after bytes that make no frame, until which they are collected (for the evidence)
FAREWELL_S = 0.25  # so long an answer that is still owed may come before the socket is closed
KEPT_BYTES = 1024  # of bytes that make no frame

_NO_QUIRKS = Quirks()

#: When the wait ended, with what outcome, exception code and bytes.
Answer = tuple[int, Outcome, int, bytes]


class Connection(asyncio.Protocol):
    """The part of a link that knows nothing of frames."""

    __slots__ = (
        "_condemned",
        "_deadline",
        "_ended",
        "_granted",
        "_leaving",
        "_loop",
        "_lost",
        "_now_ns",
        "_on_stray",
        "_pending",
        "_quirks",
        "_request",
        "_requests",
        "_rest",
        "_settle_at",
        "_timer",
        "_timer_at",
        "_transport",
        "_waiter",
        "name",
    )

    def __init__(self, name: str, clock: RunClock, on_stray: StrayHandler) -> None:
        self.name = name
        self._now_ns = clock.now_ns
        self._on_stray = on_stray
        self._loop: asyncio.AbstractEventLoop = cast("asyncio.AbstractEventLoop", None)  # set by open
        self._transport: asyncio.WriteTransport | None = None
        self._ended: asyncio.Future[None] | None = None  # resolved by connection_lost
        self._pending: Disconnect | None = None  # an end that nobody has asked about yet
        self._leaving = False  # our side is closed already
        self._condemned = False  # bytes came that make no frame
        self._requests = 0
        self._rest = bytearray()  # what came and is not understood yet
        self._waiter: asyncio.Future[Any] | None = None  # Any: what the subclass makes of the answer
        self._request: Request | None = None  # the last one sent
        self._quirks = _NO_QUIRKS
        self._deadline = self._settle_at = self._timer_at = 0.0
        self._timer: asyncio.TimerHandle | None = None
        self._lost: LostTime | None = None  # while the link is open
        self._granted = (0.0, 0.0, 0)  # a deadline that was moved: to when, start of its wait, how often

    # ------------------------------------------------------------------ for the subclass to fill in

    async def _dial(self) -> None:
        """Connect, so that connection_made has been called on return; raises what the system raises."""
        raise NotImplementedError

    def _outcome_of_dialling(self, error: Exception) -> ConnectOutcome:
        return connect_outcome(error)

    def _owes(self) -> bool:
        """True while an answer may still come to a request that was given up."""
        raise NotImplementedError

    def _name_of_rest(self) -> Outcome:
        """What the bytes are that make no frame."""
        return Outcome.BAD_FRAME

    def _time_out(self) -> None:
        """The deadline of the open request has passed."""
        raise NotImplementedError

    # ------------------------------------------------------------------ open and close

    @property
    def is_open(self) -> bool:
        """True while requests can be sent."""
        return self._transport is not None and not self._condemned and not self._leaving

    async def open(self, timeout_s: float) -> Connect:
        """Try once to connect; addresses of a host name are tried in turn within the one attempt."""
        if self._transport is not None:
            if self.is_open:
                raise RuntimeError(f"{self.name} is open already")
            self._drop()  # it was about to close itself
        self._loop = asyncio.get_running_loop()
        sent_ns = self._now_ns()
        if self._ended is not None:
            await asyncio.wait((self._ended,), timeout=timeout_s)
        self._pending = None
        self._leaving = self._condemned = False
        self._requests = 0
        try:
            async with PatientTimeout(timeout_s):
                await self._dial()
        except asyncio.CancelledError:
            self._drop()
            raise
        except Exception as error:  # noqa: BLE001  the wall: see failure.py
            self._drop()
            outcome = self._outcome_of_dialling(error)
            return Connect(self.name, sent_ns, self._now_ns(), outcome, detail_of(error), local="")
        return self._opened(sent_ns)

    def _opened(self, sent_ns: int) -> Connect:
        if self._transport is None:
            return Connect(self.name, sent_ns, self._now_ns(), ConnectOutcome.CLOSED_AT_ONCE, "", "")
        local = _name_of(self._transport.get_extra_info("sockname"))
        return Connect(self.name, sent_ns, self._now_ns(), ConnectOutcome.OPEN, "", local)

    async def ends_within(self, wait_s: float) -> bool:
        """True once the other side has ended the connection; False if it is still open after the wait."""
        if self.is_open and self._ended is not None:
            await asyncio.wait((self._ended,), timeout=wait_s)
        return not self.is_open

    async def close(self) -> Disconnect | None:
        """Close in good order (FIN), None if it was not open.

        A link that ended by itself (peer, framing fault) still has its Disconnect to tell, once. While an
        answer is owed, our side is closed first and the socket kept for a moment: bytes that meet a closed
        socket would be answered with a reset, which some small servers do not bear.
        """
        transport, ended = self._transport, self._ended
        if transport is not None and ended is not None:
            if (self._waiter is not None or self._owes()) and transport.can_write_eof():
                self._leaving = True
                transport.write_eof()
                await asyncio.wait((ended,), timeout=FAREWELL_S)
            self._drop()
            await asyncio.sleep(0)  # the transport tells the end in its next turn
            if not ended.done():
                await asyncio.wait((ended,), timeout=FAREWELL_S)
        told, self._pending = self._pending, None
        return told

    def _drop(self) -> None:
        """Begin to close; an open request ends as NOT_SENT: the run ended first, the device had no chance."""
        transport, self._transport = self._transport, None
        if transport is None:
            return
        if transport.get_write_buffer_size():
            transport.abort()  # a peer that reads nothing must not hold us
        else:
            transport.close()
        if self._waiter is not None:
            self._end(self._now_ns(), Outcome.NOT_SENT, 0, self._take_rest())
        self._leave(by_peer=False)

    def _leave(self, *, by_peer: bool) -> None:
        """Book the end of the connection once."""
        now_ns = self._now_ns()
        if self._lost is not None:
            self._lost.leave()
            self._lost = None
        self._pending = Disconnect(self.name, now_ns, by_peer, self._requests)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._rest:
            self._stray(now_ns, self._name_of_rest(), self._take_rest())

    # ------------------------------------------------------------------ called by the transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport. Small requests leave at once: asyncio and uvloop set TCP_NODELAY themselves."""
        self._transport = cast("asyncio.WriteTransport", transport)
        self._ended = self._loop.create_future()
        self._lost = LostTime.of(self._loop)
        self._lost.watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """The end of the connection: the open request, if any, gets its outcome."""
        if self._ended is not None and not self._ended.done():
            self._ended.set_result(None)
        if self._transport is None:
            return  # we closed it ourselves
        self._transport = None
        now_ns = self._now_ns()
        if self._waiter is not None:
            if self._rest:
                self._end(now_ns, self._name_of_rest(), 0, self._take_rest())
            elif self._leaving:
                self._end(now_ns, Outcome.NOT_SENT, 0, b"")
            else:
                self._end(now_ns, broken_outcome(exc), 0, b"")
        self._leave(by_peer=not self._leaving)

    # ------------------------------------------------------------------ the open request

    def _end(self, now_ns: int, outcome: Outcome, code: int, response: bytes) -> None:
        """End the wait of the open request, if there is one, with this outcome."""
        waiter, self._waiter = self._waiter, None
        if waiter is not None and not waiter.done():
            waiter.set_result(self._result(now_ns, outcome, code, response))

    def _result(self, now_ns: int, outcome: Outcome, code: int, response: bytes) -> Any:
        """What whoever waits gets; an ``Answer`` unless the subclass makes more of it."""
        return now_ns, outcome, code, response

    def _arm(self, at: float) -> None:
        """Let the one timer of the link fire at this loop time.

        It is not moved with each request: it fires, sees how far the deadline has moved, and is set again.
        """
        if self._timer is not None:
            self._timer.cancel()
        self._timer_at = at
        self._timer = self._loop.call_at(at, self._tick)

    def _tick(self) -> None:
        self._timer = None
        if self._waiter is None and not self._condemned:
            return
        # A millisecond of grace: uvloop's timers are that coarse and may fire early.
        if self._loop.time() + 0.001 < (due := self._due()):
            self._arm(due)
        elif self._condemned:
            self._settled()
        elif later := self._later():
            self._deadline = later
            self._arm(self._due())
        else:
            self._time_out()
        if self._waiter is not None and self._timer is None:
            # What settled was no answer to the open request (a late one to another): it waits on.
            self._arm(self._due())

    def _later(self) -> float:
        """Loop time until which to wait on, as this computer lost so much of the wait; 0.0 if none."""
        if self._request is None or self._lost is None:
            return 0.0
        moved_to, began, grants = self._granted
        if moved_to != self._deadline:  # of another wait
            began, grants = self._deadline - self._request.timeout_s, 0
        more_s = self._lost.more(began, self._request.timeout_s)
        if not more_s or grants == GRANTS:
            return 0.0
        later = self._loop.time() + more_s
        self._granted = (later, began, grants + 1)
        return later

    def _due(self) -> float:
        """Loop time at which something must happen next."""
        if not self._condemned:
            return self._deadline
        return self._settle_at if self._waiter is None else min(self._settle_at, self._deadline)

    def _condemn(self) -> None:
        """No frame can be made of the bytes: no hunting; after silence ``_settled`` takes them."""
        self._condemned = True
        if len(self._rest) >= KEPT_BYTES:
            self._settled()
            return
        self._settle_at = self._loop.time() + SETTLE_S
        self._arm(self._due())

    def _settled(self) -> None:
        """Hand the bytes that make no frame to the open request, or out as a stray; close."""
        now_ns, outcome, data = self._now_ns(), self._name_of_rest(), self._take_rest()
        if self._waiter is not None:
            self._end(now_ns, outcome, 0, data)
        else:
            self._stray(now_ns, outcome, data)
        self._drop()

    def _take_rest(self) -> bytes:
        data = bytes(self._rest)
        self._rest.clear()
        return data

    def _stray(self, now_ns: int, outcome: Outcome, data: bytes, tag: str | None = None) -> None:
        """Report bytes that answer nothing; tag: whose turn it was, that of the last request if None."""
        if tag is None:
            tag = self._request.tag if self._request is not None else ""
        self._on_stray(Stray(self.name, now_ns, outcome, data, tag))


def _name_of(address: tuple[object, ...] | None) -> str:
    """``address:port`` of a socket's own end."""
    if not address:
        return ""
    host = str(address[0])
    return f"[{host}]:{address[1]}" if ":" in host else f"{host}:{address[1]}"
