"""The tool, broken on purpose in one place each: every rule of the simulation must notice its own break.

``python -m tests.simulation --sabotage NAME``. Nothing on disk is changed, and each break is undone again.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from typing import Any, NamedTuple
from unittest.mock import patch

import probe.judge
import probe.record.rejudge
from probe.collect.host import Host
from probe.collect.pacing import ConnectBudget, RequestBudget
from probe.model.finding import Verdict
from probe.model.profile import Quirks
from probe.record.marks import Marks
from probe.wire.rtu_link import RtuLink
from probe.wire.tcp_link import TcpLink

Put = Callable[[object, str, object], object]


def _writes(put: Put) -> None:
    """Every read of holding registers goes out as a write."""
    shape = TcpLink._shape

    def broken(unit: int, pdu: bytes) -> tuple[bytes, bytes, int]:
        tail, expect, size = shape(unit, pdu)
        return (tail[:5] + b"\x06" + tail[6:] if pdu[0] == 3 else tail), expect, size

    put(TcpLink, "_shape", staticmethod(broken))


def _two_in_flight(put: Put) -> None:
    """Each request goes out twice."""
    send = TcpLink._send

    def broken(self: TcpLink, request: Any) -> bool:
        done = send(self, request)
        if done and self._transport is not None:
            self._transport.write(self._frame)
        return done

    put(TcpLink, "_send", broken)


def _no_gaps(put: Put) -> None:
    """Nobody waits before a request."""

    async def broken(self: Host, request: Any) -> Any:
        self._access.fresh = False
        return request

    put(Host, "_hold_back", broken)


def _connects_at_once(put: Put) -> None:
    """No pause between connects."""
    put(ConnectBudget, "due_ns", lambda self: 0)


def _no_budget(put: Put) -> None:
    """The budget of a network is never used up."""
    put(RequestBudget, "reserve", lambda self, now_ns: now_ns)


def _any_transaction(put: Put) -> None:
    """Any frame is taken for the answer, whatever its transaction id."""
    carry_out = TcpLink._carry_out

    async def broken(self: TcpLink, request: Any, _: Quirks, follow: Any) -> Any:
        return await carry_out(self, request, Quirks(transaction_not_echoed=True), follow)

    put(TcpLink, "_carry_out", broken)
    time_out = TcpLink._time_out

    def without_closing(self: TcpLink) -> None:
        self._quirks = Quirks()
        time_out(self)

    put(TcpLink, "_time_out", without_closing)


def _no_draining(put: Put) -> None:
    """On a serial line the next request goes out although an old answer may still come."""

    async def broken(self: RtuLink, request: Any, quirks: Quirks) -> None:
        self._debts.clear()

    put(RtuLink, "_drain", broken)


def _noise_settles(put: Put) -> None:
    """Noise in the place of an answer counts as the answer: nothing more is waited for."""
    owe = RtuLink._owe

    def broken(self: RtuLink, request: Any) -> None:
        if not self._rest and self._loop.time() >= self._deadline - 0.002:
            owe(self, request)

    put(RtuLink, "_owe", broken)


def _verdict_missing(put: Put) -> None:
    """The first verdict is left out."""
    conclude = probe.judge.conclude

    def broken(*given: Any) -> Any:
        said = conclude(*given)
        object.__setattr__(said, "findings", said.findings[1:])
        return said

    put(probe.judge, "conclude", broken)
    put(probe.record.rejudge, "conclude", broken)


def _untested_passes(put: Put) -> None:
    """What was not tested is called a pass."""
    conclude = probe.judge.conclude

    def broken(*given: Any) -> Any:
        said = conclude(*given)
        kind = Verdict.NOT_TESTED
        put = tuple(f._replace(verdict=Verdict.PASS) if f.verdict is kind else f for f in said.findings)
        object.__setattr__(said, "findings", put)
        return said

    put(probe.judge, "conclude", broken)
    put(probe.record.rejudge, "conclude", broken)


def _no_marks(put: Put) -> None:
    """The record does not say when a device was judged."""
    put(Marks, "phase", lambda self, tag, phase: None)


def _left_open(put: Put) -> None:
    """Links are not closed at the end."""

    async def broken(self: Host) -> None:
        return None

    put(Host, "close", broken)


def _deaf_to_stop(put: Put) -> None:
    """A device that is waited for is waited for for ever."""
    put(TcpLink, "_time_out", lambda self: None)


def _forgets_requests(put: Put) -> None:
    """Some requests are not kept."""
    from probe.collect.journal import Journal

    exchange = Journal.exchange

    def broken(self: Journal, shelf: Any, one: Any) -> None:
        if self.requests % 7 == 3:
            self.requests += 1
            return
        exchange(self, shelf, one)

    put(Journal, "exchange", broken)


def _stray_task(put: Put) -> None:
    """A task is forgotten."""
    close = Host.close

    async def broken(self: Host) -> None:
        asyncio.get_running_loop().create_task(asyncio.sleep(1e5))
        await close(self)

    put(Host, "close", broken)


class Break(NamedTuple):
    """One break. says: words of the sentence by which it must be noticed; seed: of a run that it shows in."""

    make: Callable[[Put], None]
    says: str
    seed: int = 0


SABOTAGE: Mapping[str, Break] = {
    "writes": Break(_writes, "NOT A READ"),
    "two-in-flight": Break(_two_in_flight, "a second request in flight"),
    "no-gaps": Break(_no_gaps, "the type asks"),
    "connects-at-once": Break(_connects_at_once, "apart, at least"),
    "no-budget": Break(_no_budget, "budget", 25),
    "any-transaction": Break(_any_transaction, "took for data what nobody answered", 41),
    "no-draining": Break(_no_draining, "took for data what nobody answered", 112),
    "noise-settles": Break(_noise_settles, "took for data what nobody answered", 41),
    "verdict-missing": Break(_verdict_missing, "no verdict on", 1),
    "untested-passes": Break(_untested_passes, "passes, but", 4),
    "no-marks": Break(_no_marks, "judged again"),
    "left-open": Break(_left_open, "open socket to"),
    "deaf": Break(_deaf_to_stop, "no end after", 1),
    "forgets": Break(_forgets_requests, "are not in the record"),
    "stray-task": Break(_stray_task, "task <coroutine"),
}


@contextmanager
def broken(name: str) -> Iterator[Break]:
    """Meanwhile the tool is broken in this one place."""
    with ExitStack() as stack:
        SABOTAGE[name].make(lambda owner, what, value: stack.enter_context(patch.object(owner, what, value)))
        yield SABOTAGE[name]
