"""Appointments: the requests of one link that must go at their own instants, and when the link is free.

A request that is in flight cannot be called back. So before a usual one is sent it is asked whether its
answer will have come, with the gap after it, before the next appointment; if not, it waits those few
milliseconds. An appointment that was missed all the same (an answer came late, a connection had to be made)
is made anew, and two that fall together are moved apart where the instant leaves no room for both.
"""

from __future__ import annotations

import heapq
from collections import deque
from typing import Generic, NamedTuple, TypeVar

from probe.collect.turn import Aimed

G = TypeVar("G")
#: Exchanges of a link whose times say how long the next may take.
_RECENT = 16
#: Before anything was measured a request may take so long.
_UNKNOWN_NS = 50_000_000
_TRIES = 6


class _Entry(NamedTuple, Generic[G]):
    at_ns: int
    order: int
    guest: G
    aimed: Aimed


class Appointments(Generic[G]):
    """The appointments of one link; G: whoever has one."""

    def __init__(self, gap_ns: int) -> None:
        self._gap_ns = gap_ns
        #: Those made and not kept yet, earliest first (a heap).
        self.entries: list[_Entry[G]] = []
        self._order = 0
        self._recent: deque[int] = deque(maxlen=_RECENT)
        #: To be called with how long an answer with data took, nanoseconds.
        self.measured = self._recent.append

    def __bool__(self) -> bool:
        return bool(self.entries)

    @property
    def next_ns(self) -> int:
        """Instant of the earliest appointment; there must be one."""
        return self.entries[0].at_ns

    def cost_ns(self) -> int:
        """How long a request and the gap after it may take on this link."""
        return max(self._recent, default=_UNKNOWN_NS) + self._gap_ns

    def book(self, guest: G, aimed: Aimed, now_ns: int) -> None:
        """Find an instant for the request that leaves room for those already booked."""
        at_ns, cost_ns = aimed.aim(now_ns), self.cost_ns()
        for _ in range(_TRIES if aimed.slack_ns < cost_ns else 0):
            clash = next((one for one in self.entries if abs(one.at_ns - at_ns) < cost_ns), None)
            if clash is None:
                break
            at_ns = aimed.aim(clash.at_ns + cost_ns)
        self._order += 1
        heapq.heappush(self.entries, _Entry(at_ns, self._order, guest, aimed))

    def leaves_room(self, now_ns: int) -> bool:
        """True if a usual request that goes now will be over before the next appointment, or in its slack."""
        if not self.entries:
            return True
        first = self.entries[0]
        return now_ns + self.cost_ns() <= first.at_ns + first.aimed.slack_ns

    def take(self, now_ns: int) -> tuple[G, Aimed] | None:
        """Whose instant has come; None if it was missed, then it is booked anew."""
        at_ns, _, guest, aimed = heapq.heappop(self.entries)
        if now_ns - at_ns > aimed.slack_ns:
            self.book(guest, aimed, now_ns)
            return None
        return guest, aimed

    def clear(self) -> list[G]:
        """Forget all; who had one."""
        guests = [entry.guest for entry in self.entries]
        self.entries.clear()
        return guests
