"""The run's clock on this computer."""

from __future__ import annotations

import time

from probe.wire.system_clock import SystemClock, wall_step_ns


def test_monotonic_time_starts_near_0_and_never_falls():
    clock = SystemClock()
    times = [clock.now_ns() for _ in range(1000)]
    assert times == sorted(times)
    assert 0 <= times[0] < 3_600_000_000_000


def test_wall_time_is_that_of_the_system():
    before = time.time_ns()
    assert before <= SystemClock().wall_ns() <= time.time_ns()
    assert wall_step_ns() >= 1
