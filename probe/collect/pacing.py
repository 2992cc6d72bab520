"""How gently the gear is asked: connect budget, gaps, budgets of requests, back-off. Pure arithmetic.

Every class here answers "not before when?" from times that it is given (nanoseconds of the run's clock);
waiting is done by ``host``. There is no randomness: two runs with the same answers keep the same times.

Rules (common practice, no source): a device may fall over at more than one connect a second; only a valid
reply shows that a connection was worth making.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Pacing:
    """Bounds of a run that do not depend on the type of device.

    connect_interval_s: between connects to one host while no valid reply came; connect_floor_s: between
    connects in any case; connects_a_minute: hard cap. connect_tries: connects in a row that fail or bring
    no valid reply before the host is given up. backoff_*: attempts to a unit that fails are that far apart
    (start to start), twice as far each time, up to the cap. busy_*: exceptions 5 and 6.
    splits: requests that a device may cost while holes are looked for. grace_s: for the request in flight
    when the run is stopped.
    """

    connect_interval_s: float = 2.0
    connect_floor_s: float = 1.0
    connects_a_minute: int = 10
    connect_tries: int = 2
    backoff_s: float = 0.25
    backoff_cap_s: float = 8.0
    busy_tries: int = 3
    busy_wait_s: float = 0.25
    splits: int = 40
    grace_s: float = 0.5

    def backoff_ns(self, faults: int, base_s: float = 0.0) -> int:
        """Least time from the start of one attempt to the next after so many faults in a row (1 first)."""
        base = max(base_s, self.backoff_s)
        return round(min(base * (1 << faults - 1), max(self.backoff_cap_s, base)) * SECOND_NS)

    def busy_ns(self, times: int) -> int:
        """Wait after the device said for the ``times``-th time that it is busy."""
        return round(self.busy_wait_s * (1 << times - 1) * SECOND_NS)


@dataclass(slots=True)
class ConnectBudget:
    """When the next connect to one host is allowed; only a valid reply resets it."""

    pacing: Pacing
    _made: deque[int] = field(default_factory=deque)  # starts of the connects since the last valid reply
    last_ns: int | None = None

    def due_ns(self) -> int:
        """Earliest time of the next connect; 0 for at once."""
        if self.last_ns is None:
            return 0
        pacing = self.pacing
        if not self._made:
            return self.last_ns + round(pacing.connect_floor_s * SECOND_NS)
        due = self.last_ns + round(pacing.connect_interval_s * SECOND_NS)
        if len(self._made) >= pacing.connects_a_minute:
            due = max(due, self._made[-pacing.connects_a_minute] + 60 * SECOND_NS)
        return due

    def connected(self, at_ns: int) -> None:
        """Count one connect, whatever became of it."""
        self.last_ns = at_ns
        self._made.append(at_ns)
        while len(self._made) > self.pacing.connects_a_minute:
            self._made.popleft()

    def answered(self) -> None:
        """A valid reply came: the connection was worth making."""
        self._made.clear()


class RequestBudget:
    """Token bucket for all hosts of one network: so many requests a second, bursts of ``burst``."""

    __slots__ = ("_burst_ns", "_each_ns", "_empty_ns")

    def __init__(self, per_second: float, burst: int = 1) -> None:
        self._each_ns = round(SECOND_NS / per_second)
        self._burst_ns = self._each_ns * (burst - 1)
        self._empty_ns = 0  # when the bucket would be empty of debts

    def reserve(self, now_ns: int) -> int:
        """Take one token; the time at which its request may go (now or later)."""
        free = max(self._empty_ns, now_ns - self._burst_ns)
        self._empty_ns = free + self._each_ns
        return max(free, now_ns)
