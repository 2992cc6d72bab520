"""The clock of this computer, read for a run."""

from __future__ import annotations

import time


class SystemClock:
    """Implements RunClock: monotonic time since it was made, and the wall clock.

    Both are the finest that Python offers on every system (on Windows ``time.monotonic`` steps by 15.6 ms
    before Python 3.13, ``time.perf_counter`` does not).
    """

    __slots__ = ("_start_ns",)

    def __init__(self) -> None:
        self._start_ns = time.perf_counter_ns()

    def now_ns(self) -> int:
        """Monotonic nanoseconds since this clock was made."""
        return time.perf_counter_ns() - self._start_ns

    def wall_ns(self) -> int:
        """Unix nanoseconds of the wall clock."""
        return time.time_ns()


def wall_step_ns() -> int:
    """Smallest step that the wall clock shows, at least 1 ns (for the uncertainty of what it dates)."""
    return max(1, round(time.get_clock_info("time").resolution * 1e9))
