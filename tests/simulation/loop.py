"""An event loop whose time is made up: it jumps to whatever comes next, and nothing waits.

As in a real loop, what the network brings is looked at before timers that fell due meanwhile; what several
sockets bring in the same turn comes in any order (drawn). Every turn costs a moment.
"""

from __future__ import annotations

import asyncio
import heapq
import random
import selectors
from collections.abc import Callable
from typing import Any

from probe.model.clock import RunClock

START_S = 1000.0
MOST_TURNS = 3_000_000


class Stuck(Exception):  # noqa: N818 - says what happened
    """Tasks wait, but nothing that could wake them will ever happen; or they never come to an end."""


class VirtualLoop(asyncio.SelectorEventLoop):
    """See module. dice: draws order and cost of turns. net: the network of this world, put in later."""

    def __init__(self, dice: random.Random, turn_s: float, longest_s: float) -> None:
        self.now_s = START_S
        self.turns = 0
        self.tasks_made = 0
        self.net: Any = None
        self.failures: list[str] = []  # what the loop was told of and nobody else was
        self._dice = dice
        self._turn_s = turn_s
        self._end_s = START_S + longest_s
        self._coming: list[tuple[float, float, int, Callable[[], object]]] = []
        self._number = 0
        super().__init__(_Nothing(self))
        self.set_task_factory(lambda loop, coro, **named: _Numbered(coro, loop=loop, **named))
        self.set_exception_handler(lambda _, context: self.failures.append(str(context)))

    def time(self) -> float:
        """The made-up time, seconds."""
        return self.now_s

    def bring(self, at_s: float, what: Callable[[], object]) -> None:
        """Have something happen from outside at a time (not before now)."""
        self._number += 1
        heapq.heappush(self._coming, (max(at_s, self.now_s), self._dice.random(), self._number, what))

    def hold_up(self, seconds: float) -> None:
        """This computer does not run us for so long: time passes, nothing is looked at."""
        self.now_s += seconds

    def advance(self, timeout: float | None) -> None:
        """Go to what comes next, at most so far; hand what came to the loop."""
        self.turns += 1
        if self.turns > MOST_TURNS or self.now_s > self._end_s:
            told = f"no end after {self.turns} turns, {self.now_s - START_S:.0f} s"
            self.turns, self._end_s = 0, float("inf")  # tasks must be able to end now
            raise Stuck(told)
        if timeout != 0:
            self._jump(timeout)
        self.now_s += self._turn_s * self._dice.random()
        while self._coming and self._coming[0][0] <= self.now_s:
            self.call_soon(heapq.heappop(self._coming)[3])

    def _jump(self, timeout: float | None) -> None:
        timer_s = float("inf") if timeout is None else self.now_s + timeout
        next_s = min(timer_s, self._coming[0][0] if self._coming else float("inf"))
        if next_s == float("inf"):
            waiting = sorted(task.get_name() for task in asyncio.all_tasks(self))
            raise Stuck(f"{len(waiting)} tasks wait for ever at {self.now_s - START_S:.3f} s: {waiting}")
        self.now_s = max(self.now_s, next_s)

    async def create_connection(self, make: Any, host: Any = None, port: Any = None, **_: Any) -> Any:
        """Connect within the simulated network. Raises what a system would raise."""
        return await self.net.connect(make, (host, port))

    async def getaddrinfo(self, host: Any, port: Any, **_: Any) -> Any:
        """Resolve a name by the simulated network."""
        return await self.net.resolve(host, port)


class _Numbered(asyncio.Task[Any]):
    """A task whose place in a set does not hang on where it lies in memory: a run must repeat exactly."""

    def __init__(self, *given: Any, loop: VirtualLoop, **named: Any) -> None:
        loop.tasks_made += 1
        self._number = loop.tasks_made  # before the task is put into any set
        super().__init__(*given, loop=loop, **named)

    def __hash__(self) -> int:
        return self._number

    def __eq__(self, other: object) -> bool:
        return self is other


class _Nothing(selectors.SelectSelector):
    """Never asks the system: what happens comes from the loop's own list."""

    def __init__(self, loop: VirtualLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> Any:
        self._loop.advance(timeout)
        return []


class VirtualClock(RunClock):
    """The run's clock on the made-up time; its wall clock is stepped by whoever likes to."""

    def __init__(self, loop: VirtualLoop, wall_ns: int) -> None:
        self._loop = loop
        self.offset_ns = wall_ns

    def now_ns(self) -> int:
        """Nanoseconds since the start."""
        return round((self._loop.now_s - START_S) * 1e9)

    def wall_ns(self) -> int:
        """Unix nanoseconds."""
        return self.offset_ns + self.now_ns()
