"""Waiting of one link: never too short, and over at once when the run is stopped."""

from __future__ import annotations

import asyncio

from probe.collect.nap import Nap
from probe.wire.system_clock import SystemClock

MS = 1_000_000


async def test_it_ends_at_or_after_its_time_and_not_before() -> None:
    clock = SystemClock()
    nap = Nap(clock.now_ns)
    due_ns = clock.now_ns() + 5 * MS
    await nap.until(due_ns)
    assert clock.now_ns() >= due_ns


async def test_a_stop_ends_the_wait_and_all_later_ones() -> None:
    nap = Nap(lambda: 0)  # a time that never comes
    waiting = asyncio.ensure_future(nap.until(1))
    await asyncio.sleep(0)
    assert not waiting.done()
    nap.stop()
    nap.stop()
    await asyncio.wait_for(waiting, 20)
    await asyncio.wait_for(nap.until(1), 20)
    assert nap.stopping
