"""A practice lineup on loopback for the tests of this folder."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path

import pytest

from probe.practice.fault import Fault
from probe.practice.lineup import PracticeLineup, practice
from probe.practice.scenario import small_scenario

Open = Callable[..., AbstractAsyncContextManager[PracticeLineup]]


@pytest.fixture
def lineup_of(tmp_path: Path) -> Open:
    """Opens a lineup of some tags with some faults."""

    @asynccontextmanager
    async def opened(*tags: str, faults: Iterable[Fault] = ()) -> AsyncIterator[PracticeLineup]:
        async with practice(small_scenario(tags, faults), directory=tmp_path) as lineup:
            yield lineup

    return opened
