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


#: Both clocks are read so often at most, for a pair that lies close together.
_TRIES = 8
_CLOSE_NS = 2_000


def paired(clock: RunClock) -> tuple[int, int]:
    """Monotonic and wall time of one instant, as close together as this computer reads them.

    The wall clock is read between two readings of the other; of a few tries the tightest counts, so that a
    busy computer's pause between two readings does not tie them together wrongly.
    """
    best = (1 << 62, 0, 0)
    for _ in range(_TRIES):
        before_ns = clock.now_ns()
        wall_ns = clock.wall_ns()
        gap_ns = clock.now_ns() - before_ns
        best = min(best, (gap_ns, before_ns + gap_ns // 2, wall_ns))
        if best[0] <= _CLOSE_NS:
            break
    return best[1], best[2]
