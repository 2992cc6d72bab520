"""The one clock that a run reads, as an argument (a test hands in its own)."""

from __future__ import annotations

from typing import Protocol


class RunClock(Protocol):
    """Monotonic time since the run's start and wall time, both in whole nanoseconds."""

    def now_ns(self) -> int:
        """Monotonic nanoseconds since the run's start; never steps."""
        ...

    def wall_ns(self) -> int:
        """Unix nanoseconds of the laptop's wall clock; may be stepped by others."""
        ...
