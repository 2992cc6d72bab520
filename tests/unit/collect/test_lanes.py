"""So many at the same time, the others in order; more where answers take long; none is lost."""

from __future__ import annotations

import asyncio
from itertools import pairwise
from typing import Any

import pytest

from probe.collect.lanes import Lanes, Pass
from probe.model.evidence import Outcome, Purpose

MS = 1_000_000


async def settle() -> None:
    for _ in range(3):
        await asyncio.sleep(0)


async def test_the_third_waits_until_one_of_two_has_left() -> None:
    lanes, inside = Lanes(2), []

    async def enter(name: str) -> None:
        await lanes.enter()
        inside.append(name)

    tasks = [asyncio.ensure_future(enter(name)) for name in "abcd"]
    await settle()
    assert inside == ["a", "b"]
    lanes.leave(0)
    await settle()
    assert inside == ["a", "b", "c"]
    lanes.leave(0)
    await asyncio.gather(*tasks)
    assert inside == ["a", "b", "c", "d"]


async def test_who_gives_up_waiting_costs_no_lane() -> None:
    lanes = Lanes(1)
    await lanes.enter()
    gone, stays = (asyncio.ensure_future(lanes.enter()) for _ in range(2))
    await settle()
    gone.cancel()
    await settle()
    lanes.leave(0)
    await stays
    lanes.leave(0)
    await asyncio.wait_for(lanes.enter(), 1)


async def test_a_lane_given_to_one_who_is_cancelled_in_the_same_moment_goes_on() -> None:
    lanes = Lanes(1)
    await lanes.enter()
    gone, stays = (asyncio.ensure_future(lanes.enter()) for _ in range(2))
    await settle()
    lanes.leave(0)
    gone.cancel()
    await asyncio.wait_for(stays, 1)


async def test_slow_answers_make_more_lanes() -> None:
    lanes = Lanes(800)
    await lanes.enter()
    lanes.leave(5 * MS)
    assert lanes.most == 800
    for _ in range(200):
        await lanes.enter()
        lanes.leave(200 * MS)
    assert 2900 <= lanes.most <= 3000, "15,000 requests a second, each under way for 0.2 s"


def test_a_run_with_one_lane_asks_all_and_a_silent_device_holds_nobody_up(
    world: Any, kit: Any, monkeypatch: Any
) -> None:
    """Six devices answer after 0.1 s and take turns; the seventh is asked at once and times out beside."""
    monkeypatch.setattr("probe.collect.run.Lanes", lambda: Lanes(1))
    monkeypatch.setattr("probe.collect.lanes._REQUESTS_A_SECOND", 0)
    world.behaviours = {
        "": lambda *_: (Outcome.DATA, 0, 0.1),
        "10.0.0.7:502": lambda *_: (Outcome.NO_ANSWER, 0, -1),
    }
    devices = [{"tag": f"Q{n}", "address": {"host": f"10.0.0.{n}"}} for n in range(1, 8)]
    profile = kit.profile_of(*[kit.point(f"p{n}", 500 * n) for n in range(5)])
    result = world.audit(kit.lineup_of(devices, [profile]))
    assert result.complete
    polls = [e for e in world.watcher.exchanges if e.purpose is Purpose.POLL and e.tag != "Q7"]
    assert len(polls) == 6 * 5
    later = sorted((e.sent_ns, e.received_ns) for e in polls if e.request[8:10] != bytes(2))
    assert all(a[1] <= b[0] for a, b in pairwise(later)), "after the first, one at a time"
    silent = [e for e in world.watcher.exchanges if e.tag == "Q7"]
    assert silent[0].sent_ns < polls[0].received_ns


async def test_a_link_that_waits_is_called_when_there_is_a_lane_for_it() -> None:
    lanes = Lanes(1)
    first, second, called = Pass(lanes), Pass(lanes), []
    assert first.take()
    second.when_free(lambda: called.append(second.held))
    await asyncio.sleep(0)
    assert called == []
    first.leave(0)
    await asyncio.sleep(0)
    assert called == [True]
    assert not first.take()


async def test_a_link_that_leaves_while_a_lane_is_given_to_it_gives_it_on() -> None:
    lanes = Lanes(1)
    first, second, third = Pass(lanes), Pass(lanes), Pass(lanes)
    called: list[str] = []
    first.take()
    second.when_free(lambda: called.append("second"))
    third.when_free(lambda: called.append("third"))
    first.leave(0)  # the lane is the second's, who does not know it yet
    second.leave(0)
    for _ in range(4):
        await asyncio.sleep(0)
    assert called == ["third"]
    third.leave(0)
    assert first.take(), "no lane was lost"


async def test_a_link_that_leaves_the_queue_is_not_called() -> None:
    lanes = Lanes(1)
    first, second = Pass(lanes), Pass(lanes)
    first.take()
    second.when_free(lambda: pytest.fail("it has left"))
    second.leave(0)
    first.leave(0)
    await asyncio.sleep(0)
    assert first.take()
