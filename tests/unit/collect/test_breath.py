"""So much in one turn of the event loop, and again in the next."""

from __future__ import annotations

import asyncio

from probe.collect.breath import Breath


async def test_so_many_at_once_and_again_when_the_loop_has_come_round() -> None:
    breath = Breath(3)
    assert [breath.take() for _ in range(5)] == [True, True, True, False, False]
    await asyncio.sleep(0)
    assert [breath.take() for _ in range(2)] == [True, True]
    await asyncio.sleep(0)
    assert [breath.take() for _ in range(4)] == [True, True, True, False]
