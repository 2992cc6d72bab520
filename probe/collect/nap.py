"""Nap: waiting with nothing in flight, which ends at once when the run is stopped."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from probe.collect.pacing import SECOND_NS


class Nap:
    """The waiting of one link. stopping: the run ends, nobody waits any more."""

    __slots__ = ("_now_ns", "_over", "stopping")

    def __init__(self, now_ns: Callable[[], int]) -> None:
        self.stopping = False
        self._now_ns = now_ns
        self._over: asyncio.Future[None] | None = None

    async def until(self, due_ns: int) -> None:
        """Return at or after the time (never before it), or when the run is stopped."""
        while not self.stopping and (left_ns := due_ns - self._now_ns()) > 0:
            loop = asyncio.get_running_loop()
            self._over = over = loop.create_future()
            timer = loop.call_later(max(left_ns, 1000) / SECOND_NS, _end, over)
            try:
                await over
            finally:
                timer.cancel()
                self._over = None

    def stop(self) -> None:
        """End the wait, and all later ones."""
        self.stopping = True
        if self._over is not None:
            _end(self._over)


def _end(over: asyncio.Future[None]) -> None:
    if not over.done():
        over.set_result(None)
