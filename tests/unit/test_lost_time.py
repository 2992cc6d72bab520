"""What is kept of event loops that have ended."""

from __future__ import annotations

import asyncio
import gc
import weakref

from probe.wire.lost_time import LostTime


class _Loop(asyncio.SelectorEventLoop):
    """A loop that can be pointed at weakly."""


def _run_with_a_link_left_open() -> weakref.ref[_Loop]:
    """A loop that ran, and was closed while its beat was still due."""
    loop = _Loop()
    loop.call_soon(LostTime.of(loop).watch)
    loop.call_soon(loop.stop)
    loop.run_forever()
    loop.close()
    return weakref.ref(loop)


def test_loops_that_have_ended_are_not_kept_for_ever() -> None:
    """Found by the simulation: each run of a process stayed in memory with all that its loop held."""
    ended = [_run_with_a_link_left_open() for _ in range(5)]
    gc.collect()
    assert sum(one() is not None for one in ended) <= 1  # the last one, until another begins
