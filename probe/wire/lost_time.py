"""Time in which this computer's event loop did not run: a device must not be called silent for it.

A laptop sleeps for a second, a virus scanner holds the process up, another program takes the processor:
when the loop wakes, timers have passed although the answer lies in the socket. A beat that is due every
50 ms tells how late the loop is; what a wait lost that way is added to it, at most three times.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from weakref import WeakKeyDictionary

BEAT_S = 0.05
GRAIN_S = 0.025  # the loop is never punctual; less than this is not worth a word
KEPT = 256  # latest losses
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

    def since(self, start: float) -> float:
        """Seconds lost between this loop time and now, the loss that may just be ending included."""
        now = self._loop.time()
        lost = sum(max(0.0, end - max(begin, start)) for begin, end in self._losses if end > start)
        late = now - max(self._due, start) if self._beat is not None and now - self._due > GRAIN_S else 0.0
        return lost + max(0.0, late)

    def more(self, start: float, wait_s: float) -> float:
        """Seconds from now that a wait of this length, begun then, still has in time that was not lost.

        0.0 if that is too little to speak of; never more than the wait itself.
        """
        left = start + wait_s + self.since(start) - self._loop.time()
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


@asynccontextmanager
async def patient_timeout(timeout_s: float) -> AsyncIterator[None]:
    """As ``asyncio.timeout``, but what the loop lost meanwhile is added."""
    loop = asyncio.get_running_loop()
    lost = LostTime.of(loop)
    began = loop.time()
    timer: asyncio.TimerHandle
    grants = 0

    def over() -> None:
        nonlocal grants, timer
        more_s = lost.more(began, timeout_s)
        if not more_s or grants == GRANTS:
            limit.reschedule(loop.time())
            return
        grants += 1
        timer = loop.call_later(more_s, over)

    lost.watch()
    timer = loop.call_at(began + timeout_s, over)
    try:
        async with asyncio.timeout(None) as limit:
            yield
    finally:
        timer.cancel()
        lost.leave()


_OF_LOOP: WeakKeyDictionary[asyncio.AbstractEventLoop, LostTime] = WeakKeyDictionary()
