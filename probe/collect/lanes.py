"""Lanes: how many conversations go on at the same time over a whole run; the others wait for their turn.

A loop with thousands of answers at hand looks at each one late, and at its timers later still: over 4,000
devices that answer after 5 ms it saw the answers after 130 ms here, and its timers 1.4 s late. With so many
lanes that they keep this computer busy and no more, reply times are those of the gear.

Only links that have answered wait for a lane, and none waits while it must keep an appointment: a device that
keeps silent is asked at once, so that its time-outs run while the others are served.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable

from probe.collect.pacing import SECOND_NS

#: Enough to keep this computer busy with gear that answers after 5 ms. With 400 the same run took as long,
#: and the median answer seemed to take twice as long; 150 leave this computer idle. Far below 1,024, so many
#: ready sockets as uvloop takes at once: with more it may go on for ever with them.
_LEAST = 300
#: Somewhat less than this program can do, so that a slow computer does not take its own queue for slow gear
#: and lengthen it; where answers take long, more conversations are needed to do as much.
_REQUESTS_A_SECOND = 15_000
#: Share of the latest answer in the mean.
_WEIGHT = 0.05


class Lanes:
    """Shared by all links of a run."""

    __slots__ = ("_busy", "_least", "_mean_ns", "_waiting")

    def __init__(self, least: int = _LEAST) -> None:
        self._least = least
        self._busy = 0
        self._mean_ns = 0.0
        self._waiting: deque[asyncio.Future[None]] = deque()

    @property
    def most(self) -> int:
        """Conversations that may go on at the same time, by how long answers took."""
        return max(self._least, int(_REQUESTS_A_SECOND * self._mean_ns / SECOND_NS))

    def take(self) -> bool:
        """True if there was a free lane that nobody waits for; it is ours until ``leave``."""
        free = self._busy < self.most and not self._waiting
        self._busy += free
        return free

    async def enter(self) -> None:
        """Return when there is a lane; it is ours until ``leave``."""
        if self.take():
            return
        place = self.place()
        try:
            await place
        except asyncio.CancelledError:
            if place.done() and not place.cancelled():  # the lane was given to us in the same moment
                self.leave(0)
            raise

    def place(self) -> asyncio.Future[None]:
        """A place in the queue: done when the lane is ours, until ``leave``. Cancel it to step out."""
        place: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.append(place)
        return place

    def leave(self, took_ns: int) -> None:
        """Give the lane back. took_ns: how long the last answer took, 0 if there was none."""
        self._busy -= 1
        if took_ns:
            self._mean_ns += (took_ns - self._mean_ns) * (_WEIGHT if self._mean_ns else 1)
        while self._waiting and self._busy < self.most:
            place = self._waiting.popleft()
            if not place.done():
                self._busy += 1
                place.set_result(None)


class Pass:
    """What one link has of the lanes. held: one of them is its own."""

    __slots__ = ("_lanes", "_place", "held")

    def __init__(self, lanes: Lanes) -> None:
        self.held = False
        self._lanes = lanes
        self._place: asyncio.Future[None] | None = None  # in the queue

    def take(self) -> bool:
        """True if there was a free lane; it is ours until ``leave``."""
        self.held = self._lanes.take()
        return self.held

    async def enter(self) -> None:
        """Return when there is a lane for us."""
        await self._lanes.enter()
        self.held = True

    def when_free(self, call: Callable[[], None]) -> None:
        """Have this called when there is a lane for us, unless we ``leave`` before."""

        def admitted(place: asyncio.Future[None]) -> None:
            if place.cancelled():
                return
            if self._place is not place:  # we left while it was given to us
                self._lanes.leave(0)
                return
            self._place = None
            self.held = True
            call()

        self._place = self._lanes.place()
        self._place.add_done_callback(admitted)

    def leave(self, took_ns: int) -> None:
        """Give our lane back, or our place in the queue. took_ns: see ``Lanes.leave``."""
        if self._place is not None:
            self._place.cancel()
            self._place = None
        if self.held:
            self.held = False
            self._lanes.leave(took_ns)
