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
import ipaddress
import socket
from typing import cast

from probe.model.clock import RunClock
from probe.model.device_map import Target
from probe.model.evidence import Connect, ConnectOutcome, Disconnect, Exchange, Framing, Outcome, Stray
from probe.model.pdu import READ_DEVICE_ID, check_reply, data_size
from probe.model.profile import Quirks
from probe.wire import mbap
from probe.wire.allowed import ensure_read
from probe.wire.failure import broken_outcome, connect_outcome, detail_of
from probe.wire.link import Request, StrayHandler

SETTLE_S = 0.05  # after bytes that make no frame, so long is collected what follows (for the evidence)
FAREWELL_S = 0.25  # so long an answer that is still owed may come before the socket is closed
KEPT_BYTES = 1024  # of bytes that make no frame
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


class TcpLink(asyncio.Protocol):
    """Implements Link for Modbus TCP. One request is in flight at most."""

    __slots__ = (
        "_address",
        "_condemned",
        "_deadline",
        "_ended",
        "_expect",
        "_first",
        "_frame",
        "_given_up",
        "_leaving",
        "_local_address",
        "_loop",
        "_now_ns",
        "_on_stray",
        "_pending",
        "_quirks",
        "_ranges",
        "_request",
        "_requests",
        "_rest",
        "_sent_ns",
        "_size",
        "_timer",
        "_timer_at",
        "_transaction",
        "_transport",
        "_waiter",
        "_wrong",
        "name",
    )

    def __init__(
        self,
        target: Target,
        clock: RunClock,
        on_stray: StrayHandler,
        *,
        local_address: str | None = None,
    ) -> None:
        self.name = target.link
        self._address = (target.host, target.port)
        self._local_address = local_address
        self._now_ns = clock.now_ns
        self._on_stray = on_stray
        self._loop: asyncio.AbstractEventLoop = cast("asyncio.AbstractEventLoop", None)
        self._transport: asyncio.Transport | None = None
        self._ended: asyncio.Future[None] | None = None  # resolved by connection_lost
        self._pending: Disconnect | None = None  # an end that nobody has asked about yet
        self._leaving = False  # our side is closed already
        self._requests = 0
        # the open request
        self._waiter: asyncio.Future[Exchange] | None = None
        self._request: Request | None = None  # the last one asked
        self._quirks = Quirks()
        self._frame = self._expect = b""
        self._size = self._sent_ns = 0
        self._deadline = self._timer_at = 0.0
        self._timer: asyncio.TimerHandle | None = None
        # what came and is not understood yet
        self._rest = bytearray()
        self._condemned = False
        self._wrong: tuple[int, bytes] | None = None  # time and frame with an id that was never used
        # transaction ids
        self._transaction = 0
        self._first = 1
        self._ranges: list[tuple[int, int]] = []  # ids used before the last jump
        self._given_up: dict[int, str] = {}  # id to tag

    # ------------------------------------------------------------------ open and close

    @property
    def is_open(self) -> bool:
        """True while requests can be sent."""
        return self._transport is not None and not self._condemned and not self._leaving

    async def open(self, timeout_s: float) -> Connect:
        """Try once to connect; addresses of a host name are tried in turn within the one attempt."""
        if self._transport is not None:
            raise RuntimeError(f"{self.name} is open already")
        self._loop = asyncio.get_running_loop()
        sent_ns = self._now_ns()
        if self._ended is not None:
            await asyncio.wait((self._ended,), timeout=timeout_s)
        self._start()
        try:
            async with asyncio.timeout(timeout_s):
                await self._connect()
        except asyncio.CancelledError:
            self._drop()
            raise
        except Exception as error:  # noqa: BLE001  the wall: see failure.py
            self._drop()
            return Connect(
                self.name, sent_ns, self._now_ns(), connect_outcome(error), detail_of(error), local=""
            )
        return self._opened(sent_ns)

    def _start(self) -> None:
        self._pending = None
        self._leaving = self._condemned = False
        self._requests = 0
        self._rest.clear()
        self._wrong = None

    async def _connect(self) -> None:
        host, port = self._address
        local = (self._local_address, 0) if self._local_address else None
        failed: OSError | None = None
        for address in await self._addresses(host, port):
            try:
                await self._loop.create_connection(lambda: self, address, port, local_addr=local)
                return
            except OSError as error:
                failed = failed or error
        raise failed or socket.gaierror(socket.EAI_NONAME, "the name has no address")

    async def _addresses(self, host: str, port: int) -> list[str]:
        """Numeric addresses of the host, each once, in the system's order."""
        try:
            return [str(ipaddress.ip_address(host))]
        except ValueError:
            found = await self._loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
            return list(dict.fromkeys(str(entry[4][0]) for entry in found))

    def _opened(self, sent_ns: int) -> Connect:
        if self._transport is None:
            outcome, local = ConnectOutcome.CLOSED_AT_ONCE, ""
        else:
            outcome, local = ConnectOutcome.OPEN, _name_of(self._transport.get_extra_info("sockname"))
        return Connect(self.name, sent_ns, self._now_ns(), outcome, "", local)

    async def close(self) -> Disconnect | None:
        """Close in good order (FIN), None if it was not open.

        A link that ended by itself (peer, framing fault) still has its Disconnect to tell, once. While an
        answer is owed, our side is closed first and the socket kept for a moment: bytes that meet a closed
        socket would be answered with a reset, which some small servers do not bear.
        """
        transport, ended = self._transport, self._ended
        if transport is not None and ended is not None:
            if (self._waiter is not None or self._given_up) and transport.can_write_eof():
                self._leaving = True
                transport.write_eof()
                await asyncio.wait((ended,), timeout=FAREWELL_S)
            self._drop()
            await asyncio.wait((ended,), timeout=FAREWELL_S)
            if not ended.done():
                transport.abort()
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
        self._pending = Disconnect(self.name, now_ns, by_peer, self._requests)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._rest and self._waiter is None:
            self._stray(now_ns, Outcome.BAD_FRAME, bytes(self._rest), self._last_tag())
            self._rest.clear()

    # ------------------------------------------------------------------ called by the transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport; small requests must leave at once."""
        self._transport = cast("asyncio.Transport", transport)
        self._ended = self._loop.create_future()
        connection = transport.get_extra_info("socket")
        if connection is not None:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

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
            else:
                outcome = Outcome.NOT_SENT if self._leaving else broken_outcome(exc)
                self._end(now_ns, outcome, 0, b"")
        self._leave(by_peer=not self._leaving)

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
            self._waiter = None
            if waiter.done():  # cancelled in this turn of the loop
                self._give_up(self._last_tag())
                self._digest(self._now_ns(), data)
                return
            tag, purpose, poll_round, attempt, *_ = self._request  # type: ignore[misc]  # set before the waiter
            sent_ns, now_ns = self._sent_ns, self._now_ns()
            waiter.set_result(
                Exchange(
                    tag, purpose, _MBAP, poll_round, attempt, sent_ns, now_ns, _DATA, 0, self._frame, data
                )
            )
            return
        self._digest(self._now_ns(), data)

    # ------------------------------------------------------------------ one exchange

    async def exchange(self, request: Request, quirks: Quirks) -> Exchange:
        """Send one request and wait for its answer or the time-out.

        Raises WriteRefused (a bug of ours) if the request is not on the allow-list, RuntimeError if another
        request is in flight. After BAD_FRAME or WRONG_PROTOCOL the link has closed itself.
        """
        tail, expect, size = _shape(request.unit, request.pdu)
        if self._waiter is not None:
            raise RuntimeError(f"{self.name}: a request is in flight already")
        transaction = self._transaction + 1
        if transaction > 0xFFFF:
            transaction = self._wrap()
        self._transaction = transaction
        number = transaction.to_bytes(2, "big")
        self._frame = frame = number + tail
        self._request = request
        transport = self._transport
        if transport is None or self._condemned or self._leaving:
            return self._exchange_of(self._now_ns(), self._now_ns(), Outcome.NOT_SENT, 0, b"")
        self._expect = number + expect
        self._size = size
        self._quirks = quirks
        self._requests += 1
        loop = self._loop
        waiter: asyncio.Future[Exchange] = loop.create_future()
        self._waiter = waiter
        self._deadline = deadline = loop.time() + request.timeout_s
        if self._timer is None or deadline < self._timer_at:
            self._arm(deadline)
        self._sent_ns = self._now_ns()
        transport.write(frame)
        try:
            return await waiter
        except asyncio.CancelledError:
            if self._waiter is waiter:
                self._waiter = None
                self._give_up(request.tag)
            raise

    def _exchange_of(
        self, sent_ns: int, received_ns: int, outcome: Outcome, code: int, response: bytes
    ) -> Exchange:
        request = cast("Request", self._request)
        return Exchange(
            request.tag,
            request.purpose,
            _MBAP,
            request.round,
            request.attempt,
            sent_ns,
            received_ns,
            outcome,
            code,
            self._frame,
            response,
        )

    def _end(self, now_ns: int, outcome: Outcome, code: int, response: bytes) -> None:
        """End the wait with this outcome; a frame kept under another id becomes a stray."""
        waiter, self._waiter = self._waiter, None
        if self._wrong is not None:
            self._stray(self._wrong[0], Outcome.UNASKED, self._wrong[1], self._last_tag())
            self._wrong = None
        if waiter is not None and not waiter.done():
            waiter.set_result(self._exchange_of(self._sent_ns, now_ns, outcome, code, response))

    # ------------------------------------------------------------------ time-out

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
        if self._loop.time() + 0.001 < self._deadline:
            self._arm(self._deadline)
        elif self._condemned or self._rest:
            self._end_condemned()
        else:
            self._time_out()

    def _time_out(self) -> None:
        tag = self._last_tag()
        wrong, self._wrong = self._wrong, None
        self._give_up(tag)
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

    def _condemn(self) -> None:
        """No frame can be made of the bytes: no hunting, collect for a moment, then close."""
        self._condemned = True
        settled = self._loop.time() + SETTLE_S
        self._deadline = min(self._deadline, settled) if self._waiter is not None else settled
        self._arm(self._deadline)

    def _end_condemned(self) -> None:
        """Hand the bytes that make no frame to the open request, or out as a stray; close."""
        outcome, data, now_ns = self._name_of_rest(), self._take_rest(), self._now_ns()
        if self._waiter is not None:
            self._end(now_ns, outcome, 0, data)
        else:
            self._stray(now_ns, outcome, data, self._last_tag())
        self._drop()

    def _name_of_rest(self) -> Outcome:
        """WRONG_PROTOCOL for a whole frame under the open id in which only the protocol id is not 0."""
        rest = self._rest
        whole = len(rest) >= mbap.SMALLEST and len(rest) == mbap.size(rest) <= mbap.LARGEST
        if whole and mbap.transaction_of(rest) == self._transaction and (rest[2] or rest[3]):
            return Outcome.WRONG_PROTOCOL
        return Outcome.BAD_FRAME

    def _take_rest(self) -> bytes:
        data = bytes(self._rest)
        self._rest.clear()
        return data

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
            self._stray(now_ns, Outcome.REPEATED, frame, self._last_tag())
        elif waits and self._wrong is None:
            self._wrong = (now_ns, frame)
        else:
            self._stray(now_ns, Outcome.UNASKED, frame, self._last_tag())

    def _check(self, frame: bytes) -> tuple[Outcome, int]:
        request = cast("Request", self._request)
        if frame[6] != request.unit and not self._quirks.unit_not_echoed:
            return Outcome.WRONG_UNIT, 0
        return check_reply(request.pdu, frame[7:])

    def _last_tag(self) -> str:
        return self._request.tag if self._request is not None else ""

    def _stray(self, now_ns: int, outcome: Outcome, data: bytes, tag: str) -> None:
        self._on_stray(Stray(self.name, now_ns, outcome, data, tag))


def _name_of(address: tuple[object, ...] | None) -> str:
    """``address:port`` of a socket's own end."""
    if not address:
        return ""
    host = str(address[0])
    return f"[{host}]:{address[1]}" if ":" in host else f"{host}:{address[1]}"
