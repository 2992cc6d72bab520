"""Targets: the byte streams of Modbus TCP and RTU, digested by the real links in virtual time.

The input is a script: what the far side sends, in which pieces, when, and when it hangs up.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, cast

from probe.model.evidence import Exchange, Outcome, Purpose, Stray
from probe.model.pdu import exception_reply, identification_request, read_reply, read_request
from probe.model.profile import Quirks
from probe.wire.connection import KEPT_BYTES, Connection
from probe.wire.link import Request
from probe.wire.rtu_link import RtuLink
from probe.wire.tcp_link import TcpLink
from tests.fuzz.target import BrokenPromiseError, Target, need
from tests.fuzz.targets.modbus import well_formed

_ASKED = (read_request(3, 0, 2), read_request(1, 0, 10), read_request(4, 9, 125), identification_request())
_ANSWERS = (
    read_reply(3, bytes(4)),
    read_reply(1, bytes(2)),
    read_reply(4, bytes(250)),
    bytes((0x2B, 0x0E, 1, 1, 0, 0, 1, 0, 3)) + b"abc",
)
_MOST_STEPS = 60
_LONGEST_S = 3600.0  # virtual seconds


class _Jump(selectors.SelectSelector):
    """Waits for nobody: the clock of the loop jumps to the next timer."""

    now = 0.0

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None:
            raise BrokenPromiseError("everybody waits and nothing will ever happen")
        self.now += timeout
        return []


class _Loop(asyncio.SelectorEventLoop):
    """An event loop in virtual time."""

    def __init__(self) -> None:
        self._jump = _Jump()
        super().__init__(self._jump)

    def time(self) -> float:
        """Virtual seconds."""
        return self._jump.now


@dataclass
class Wire:
    """The far end of the connection, and the run's clock."""

    loop: _Loop
    link: Connection | None = None
    sent: list[bytes] = field(default_factory=list)
    strays: list[Stray] = field(default_factory=list)
    delivered: int = 0
    is_open: bool = False

    def now_ns(self) -> int:
        return int(self.loop.time() * 1e9)

    wall_ns = now_ns

    def dial(self) -> None:
        self.is_open = True
        cast("Any", self.link).connection_made(self)

    def deliver(self, data: bytes) -> None:
        if self.is_open and data:
            self.delivered += len(data)
            cast("Any", self.link).data_received(data)
            kept = len(cast("Any", self.link)._rest)
            need(kept <= KEPT_BYTES + len(data), f"{kept} bytes are kept")

    def hang_up(self, error: Exception | None) -> None:
        if self.is_open:
            self.is_open = False
            self.loop.call_soon(cast("Any", self.link).connection_lost, error)

    # the side of asyncio's transport

    def write(self, frame: bytes) -> None:
        self.sent.append(bytes(frame))

    def close(self) -> None:
        self.hang_up(None)

    abort = close

    def write_eof(self) -> None:
        pass

    def can_write_eof(self) -> bool:
        return True

    def get_write_buffer_size(self) -> int:
        return 0

    def get_extra_info(self, name: str, default: object = None) -> object:
        return ("127.0.0.1", 1) if name == "sockname" else default


class _Target:
    link, host, port = "tcp 127.0.0.1:502", "127.0.0.1", 502


class Tcp(TcpLink):
    __slots__ = ("wire",)

    async def _dial(self) -> None:
        self.wire.dial()


class Rtu(RtuLink):
    __slots__ = ("wire",)

    async def _dial(self) -> None:
        self.wire.dial()


def crc(data: bytes) -> bytes:
    """The checksum of an RTU frame, bit by bit, low byte first.

    Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, 6.2.2.
    """
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


class _Script:
    """Plays one input."""

    def __init__(self, data: bytes, *, rtu: bool) -> None:
        self._data, self._at, self._rtu = data, 0, rtu
        self._wire = wire = Wire(virtual_loop())
        wire.sent.clear()
        flags = self._next()
        self._quirks = Quirks(
            unit_not_echoed=bool(flags & 1), transaction_not_echoed=bool(flags & 2) and not rtu
        )
        if rtu:
            silence = 0.004 if flags & 4 else 0.0
            link: Any = Rtu("rtu", wire, wire.strays.append, silence_s=silence, closes=not flags & 8)
        else:
            link = Tcp(cast("Any", _Target), wire, wire.strays.append)
        link.wire = wire
        wire.link = self._link = link
        self._kind = 0
        self._waiting: asyncio.Task[Exchange] | None = None
        self._exchanges: list[Exchange] = []
        self._last = b""

    def _next(self) -> int:
        self._at += 1
        return self._data[self._at - 1] if self._at <= len(self._data) else 0

    async def play(self) -> None:
        await self._ask(0)
        for _ in range(_MOST_STEPS):
            if self._at >= len(self._data):
                break
            await self._step()
        if self._waiting is not None:
            self._take(await self._waiting)
        told = await self._link.close()
        need(told is None or told.requests >= 0, "a connection with fewer than no requests")
        self._judge()

    async def _step(self) -> None:
        step = self._next()
        answer = self._answer()
        match step % 10:
            case 0 | 1:
                self._wire.deliver(answer)
            case 2 if answer:
                self._wire.deliver(self._spoilt(answer, mend=bool(step & 0x80)))
            case 3 if answer:
                cut = self._next() % len(answer)
                self._wire.deliver(answer[:cut])
                await asyncio.sleep((step >> 4) / 20)
                self._wire.deliver(answer[cut:])
            case 4:
                self._wire.deliver(self._last)
            case 5:
                await asyncio.sleep(self._next() / 100)
            case 6:
                self._wire.hang_up(ConnectionResetError() if step & 0x80 else None)
                await asyncio.sleep(0)
            case 7 | 8:
                await self._ask(step >> 4)
            case _:
                many = self._next() % 40 + 1
                piece = self._data[self._at : self._at + many]
                self._at += many
                self._wire.deliver(piece + crc(piece) if self._rtu and step & 0x80 else piece)
        await asyncio.sleep(0)
        self._collect()

    async def _ask(self, kind: int) -> None:
        self._collect()
        if self._waiting is not None:
            return
        if not self._link.is_open:
            await self._link.open(1.0)
        self._kind = kind % len(_ASKED)
        asked = Request("Q1", Purpose.POLL, 1, 1, 5 + (kind >> 2 & 1), _ASKED[self._kind], 1.0)
        self._waiting = asyncio.get_running_loop().create_task(self._link.exchange(asked, self._quirks))
        for _ in range(3):
            await asyncio.sleep(0)

    def _collect(self) -> None:
        if self._waiting is not None and self._waiting.done():
            self._take(self._waiting.result())

    def _take(self, exchange: Exchange) -> None:
        self._exchanges.append(exchange)
        self._waiting = None

    def _answer(self) -> bytes:
        """The right answer to the last request that was sent."""
        if not self._wire.sent:
            return b""
        frame, answer = self._wire.sent[-1], _ANSWERS[self._kind]
        if self._rtu:
            whole = frame[:1] + answer
            self._last = whole + crc(whole)
        else:
            self._last = frame[:4] + (1 + len(answer)).to_bytes(2) + frame[6:7] + answer
        return self._last

    def _spoilt(self, answer: bytes, *, mend: bool) -> bytes:
        made = bytearray(answer)
        place, change = self._next() % len(made), self._next()
        made[place] ^= change
        if self._rtu and mend:
            made[-2:] = crc(bytes(made[:-2]))
        return bytes(made) if change != 0xFF else exception_reply(3, 2) + bytes(made)

    def _judge(self) -> None:
        seen = sum(len(one.response) for one in self._exchanges) + sum(len(s.data) for s in self._wire.strays)
        need(seen <= self._wire.delivered, f"{seen} bytes were told, {self._wire.delivered} came")
        for one in self._exchanges:
            need(isinstance(one.outcome, Outcome), f"outcome {one.outcome!r}")
            need(one.received_ns >= one.sent_ns, "an answer from before the request")
            if one.outcome is Outcome.DATA:
                need(self._is_good(one), f"taken as data: {one.response.hex()} for {one.request.hex()}")
            need(
                (one.exception_code != 0) <= (one.outcome is Outcome.EXCEPTION), "a code without an exception"
            )

    def _is_good(self, one: Exchange) -> bool:
        asked, got, quirks = one.request, one.response, self._quirks
        if self._rtu:
            frame = got[-2:] == crc(got[:-2]) and (quirks.unit_not_echoed or got[0] == asked[0])
            return frame and well_formed(asked[1:-2], got[1:-2])
        echoed = quirks.transaction_not_echoed or got[:2] == asked[:2]
        unit = quirks.unit_not_echoed or got[6] == asked[6]
        head = got[2:4] == b"\0\0" and int.from_bytes(got[4:6]) == len(got) - 6
        return echoed and unit and head and well_formed(asked[7:], got[7:])


_LOOP: list[_Loop] = []


def virtual_loop() -> _Loop:
    """The one loop in virtual time that all inputs use."""
    if not _LOOP:
        _LOOP.append(_Loop())
    return _LOOP[0]


def close() -> None:
    """Close the loop that the targets use."""
    while _LOOP:
        _LOOP.pop().close()


def _play(data: bytes, *, rtu: bool) -> None:
    loop = virtual_loop()
    errors: list[dict[str, Any]] = []
    loop.set_exception_handler(lambda _, context: errors.append(context))
    try:
        loop.run_until_complete(asyncio.wait_for(_Script(data, rtu=rtu).play(), _LONGEST_S))
        loop.run_until_complete(asyncio.sleep(0))
    except TimeoutError:
        close()
        raise BrokenPromiseError("a request whose wait never ends") from None
    except BaseException:
        close()  # whatever hangs in it must not reach the next input
        raise
    if errors:
        raise errors[0].get("exception") or BrokenPromiseError(str(errors[0].get("message")))


def _seeds() -> Iterator[bytes]:
    yield bytes((0, 0, 7, 0, 0x17, 0, 0x27, 0, 0x37, 0))
    yield bytes((0, 2, 0, 1, 5, 200, 7, 4, 0, 0x82, 1, 1))
    yield bytes((3, 3, 5, 0x33, 4, 7, 6, 7, 0x86, 7, 0))
    yield bytes((8, 9, 8, 1, 2, 3, 4, 5, 6, 7, 8, 0x89, 3, 5, 3, 2, 5, 120, 7, 0, 5, 120))


def _tcp(data: bytes) -> None:
    _play(data, rtu=False)


def _rtu(data: bytes) -> None:
    _play(data, rtu=True)


TARGETS = tuple(
    Target(name=name, promise=promise, run=run, seeds=_seeds, longest=400, share=1.5, calls=600)
    for name, promise, run in (
        (
            "link_tcp",
            "any stream ends each request with one outcome; data only if all of the frame is right",
            _tcp,
        ),
        ("link_rtu", "as for TCP, with checksums; nothing waits for ever, at most 1 KiB is kept", _rtu),
    )
)
