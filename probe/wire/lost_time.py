"""Time in which this computer's event loop did not run: a device must not be called silent for it.

A laptop sleeps for a second, a virus scanner holds the process up, another program takes the processor:
when the loop wakes, timers have passed although the answer lies in the socket. A beat that is due every
50 ms tells how late the loop is; what a wait lost that way is added to it, at most three times.

A loss is made good once the loop has run four times as long since: an answer that came meanwhile was taken
from its socket at once, and one that a sleeping computer could not hear has been sent again.
Source: RFC 6298, 5.5 (each retransmission waits twice as long as the one before).
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import inf
from types import TracebackType

BEAT_S = 0.05
GRAIN_S = 0.025  # the loop is never punctual; less than this is not worth a word
KEPT = 256  # latest losses
AMPLE = 4  # times its own length after which a loss is made good
GRANTS = 3  # so often a wait is made longer: a computer that never keeps up must come to an end too


class LostTime:
    """Losses of one event loop, seen only while a link is open. All times are the loop's, in seconds."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._losses: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._due = 0.0
        self._users = 0
        self._listeners: list[Callable[[float], None]] = []
        self._beat: asyncio.TimerHandle | None = None

    @staticmethod
    def of(loop: asyncio.AbstractEventLoop) -> LostTime:
        """The one of this loop."""
        found = _OF_LOOP.get(loop)
        if found is None:
            for over in [one for one in list(_OF_LOOP) if one.is_closed()]:
                del _OF_LOOP[over]  # each holds its loop, and with it all that a run has left there
            found = _OF_LOOP[loop] = LostTime(loop)
        return found

    def watch(self) -> None:
        """Beat as long as there are as many calls of ``watch`` as of ``leave``, and one more."""
        self._users += 1
        if self._beat is None:
            self._set()

    def leave(self) -> None:
        """One user less."""
        self._users -= 1

    @contextmanager
    def listening(self, listener: Callable[[float], None]) -> Iterator[None]:
        """Meanwhile each loss is told when it has ended, in seconds; before anything else happens."""
        self._listeners.append(listener)
        self.watch()
        try:
            yield
        finally:
            self.leave()
            self._listeners.remove(listener)

    def since(self, start: float, *, ample: float = inf) -> float:
        """Seconds lost between this loop time and now, the loss that may just be ending included.

        ample: losses that ended so many times their own length ago do not count.
        """
        now = self._loop.time()
        lost = sum(
            max(0.0, end - max(begin, start))
            for begin, end in self._losses
            if end > start and now - end < ample * (end - begin)
        )
        late = now - max(self._due, start) if self._beat is not None and now - self._due > GRAIN_S else 0.0
        return lost + max(0.0, late)

    def more(self, start: float, wait_s: float) -> float:
        """Seconds from now that a wait of this length, begun then, still has in time that was not lost.

        0.0 if that is too little to speak of; never more than the wait itself.
        """
        left = start + wait_s + self.since(start, ample=AMPLE) - self._loop.time()
        return min(left, wait_s) if left >= GRAIN_S else 0.0

    def _set(self) -> None:
        self._due = self._loop.time() + BEAT_S
        self._beat = self._loop.call_at(self._due, self._struck)

    def _struck(self) -> None:
        self._beat = None
        now = self._loop.time()
        if now - self._due > GRAIN_S:
            self._losses.append((self._due, now))
            for listener in self._listeners:
                listener(now - self._due)
        if self._users > 0:
            self._set()


class PatientTimeout:
    """As ``asyncio.timeout``, but what the loop lost meanwhile is added."""

    __slots__ = ("_began", "_grants", "_limit", "_loop", "_lost", "_timeout_s", "_timer")

    def __init__(self, timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self._grants = 0
        self._loop = asyncio.get_running_loop()
        self._lost = LostTime.of(self._loop)
        self._limit = asyncio.timeout(None)

    async def __aenter__(self) -> None:
        self._began = self._loop.time()
        self._lost.watch()
        self._timer = self._loop.call_at(self._began + self._timeout_s, self._over)
        await self._limit.__aenter__()

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()
        self._lost.leave()
        await self._limit.__aexit__(kind, error, trace)

    def _over(self) -> None:
        more_s = self._lost.more(self._began, self._timeout_s)
        if not more_s or self._grants == GRANTS:
            self._limit.reschedule(self._loop.time())
            return
        self._grants += 1
        self._timer = self._loop.call_later(more_s, self._over)


_OF_LOOP: dict[asyncio.AbstractEventLoop, LostTime] = {}
