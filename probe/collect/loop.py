"""Where the event loop comes from: uvloop if it is there, asyncio's own otherwise.

uvloop halves the cost of an exchange here (docs/decisions/0006), but it is never required: it does not exist
on Windows, and nothing of ours depends on it.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
from collections.abc import Callable, Coroutine, Iterator
from typing import Any, TypeVar

T = TypeVar("T")

#: Sockets and files that a large run may want open at the same time.
_WANTED_FILES = 16_384
#: New objects that may wait for Python's look for cycles: what a run over 4,000 devices makes at most.
_OBJECTS = 1_000_000


def loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """A maker of fast event loops, None if asyncio's own must do (or BUSWITNESS_LOOP=asyncio asks for it)."""
    if os.environ.get("BUSWITNESS_LOOP") == "asyncio":
        return None
    try:
        import uvloop
    except ImportError:
        return None
    return uvloop.new_event_loop


def run(main: Coroutine[Any, Any, T], *, factory: Callable[[], asyncio.AbstractEventLoop] | None = None) -> T:
    """Result of the coroutine, run on the fastest loop that there is."""
    allow_many_files()
    results: list[T] = []

    async def hold() -> None:
        results.append(await main)

    # The task itself must not hold the result: asyncio's Runner looks up the signal handler at the end,
    # which makes Python write out the task with its result (a whole lineup: 0.1 s for 4,000 devices).
    with seldom_collecting(), asyncio.Runner(loop_factory=factory or loop_factory()) as runner:
        runner.run(hold())
    return results[0]


@contextlib.contextmanager
def seldom_collecting() -> Iterator[None]:
    """Let Python look for reference cycles seldom while a run lasts.

    A run makes many small objects that live until a device is judged; with the usual thresholds Python
    looks through all of them again and again for cycles that are not there (a quarter of the time of a run
    over 4,000 devices here; the peak of memory is the same, because evidence is freed by counting).
    """
    before = gc.get_threshold()
    gc.set_threshold(_OBJECTS, 50, 100)
    _take_for_old()
    try:
        yield
    finally:
        _take_for_old()
        gc.set_threshold(*before)


def _take_for_old() -> None:
    """Have all objects stand with the old ones without a look at each, which takes 0.2 s after a big run."""
    gc.freeze()
    gc.unfreeze()


def allow_many_files() -> int:
    """Raise the soft limit of open files as far as we may; the limit now (0 where there is none)."""
    try:
        import resource
    except ImportError:  # Windows: sockets are not counted so
        return 0
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _WANTED_FILES if hard == resource.RLIM_INFINITY else min(_WANTED_FILES, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
        except (OSError, ValueError):  # some systems refuse what they advertise
            return soft
        return wanted
    return soft
