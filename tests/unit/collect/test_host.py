"""One link with many units: fairness, gaps, connect budget, giving up; in jumping time."""

from __future__ import annotations

import asyncio
from itertools import pairwise
from typing import Any

import pytest

from probe.model.evidence import ConnectOutcome, Outcome, Purpose, Stray
from probe.model.profile import Limits

SECOND = 1_000_000_000
LINK = "10.0.0.9:502"


def bus(kit: Any, units: int, *, blocks: int = 4, gateway: bool = False, **limits: Any) -> Any:
    """A lineup of units behind one gateway, each with so many blocks to read."""
    points = [kit.point(f"p{i}", 300 * i) for i in range(blocks)]
    profile = kit.profile_of(*points, limits=Limits(**limits))
    gate = kit.profile_of(kit.point("up", 0), name="gate", limits=Limits(**limits))
    devices = [{"tag": "GW", "profile": "gate", "address": {"host": "10.0.0.9"}}]
    devices += [{"tag": f"U{n}", "address": {"via": "GW", "unit": n}} for n in range(1, units + 1)]
    lineup = kit.lineup_of(devices, [profile, gate])
    return lineup, tuple(lineup.map.by_tag) if gateway else tuple(lineup.map.by_tag)[1:]


def mapped(world: Any) -> list[Any]:
    """Requests to units of the map, in order."""
    return [r for r in world.asked(LINK) if r.purpose is not Purpose.ABSENT_UNIT]


def test_units_take_turns_request_by_request(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 3)
    world.audit(lineup, tags=tags, quick=True)
    assert [r.unit for r in mapped(world)] == [1, 2, 3] * 4
    assert len(world.links[LINK].connects) == 1


def test_a_gateway_stands_before_its_units(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 2, gateway=True)
    world.audit(lineup, tags=tags[::-1], quick=True)
    assert mapped(world)[0].tag == "GW"


@pytest.mark.parametrize("code", [0x0A, 0x0B])
def test_a_dead_unit_costs_the_others_a_bounded_number_of_requests(world: Any, kit: Any, code: int) -> None:
    lineup, tags = bus(kit, 30, retries=2)
    world.behaviours[LINK] = lambda r, _: kit.exception(code, 1.0) if r.unit == 7 else kit.DATA
    world.audit(lineup, tags=tags, quick=True)
    dead = [i for i, r in enumerate(mapped(world)) if r.unit == 7]
    assert len(dead) == 3, "the first request and two retries, nothing more"
    assert all(len(world.judge.seen[t].exchanges) == 4 for t in tags if t != "U7")
    healthy_first_round = {r.unit for r in mapped(world)[dead[0] + 1 : dead[1]]}
    assert len(healthy_first_round) == 29, "all others had a turn before the dead one was asked again"


def test_retries_of_a_dead_unit_are_numbered_and_wait_longer_each_time(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 5, retries=3, timeout_s=1.0)
    world.behaviours[LINK] = lambda r, _: kit.exception(0x0B, 0.8) if r.unit == 2 else kit.DATA
    world.audit(lineup, tags=tags, quick=True)
    tries = [(at, r.attempt) for at, r in world.links[LINK].asked if r.unit == 2]
    assert [attempt for _, attempt in tries] == [1, 2, 3, 4]
    pauses = [(b - a) / SECOND for (a, _), (b, _) in pairwise(tries)]
    assert all(pause >= least for pause, least in zip(pauses, (2.0, 4.0, 8.0), strict=True))


def test_a_bus_on_which_nobody_answers_costs_one_turn_not_all_retries(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 30, retries=2, timeout_s=1.0, first_timeout_s=1.0)
    world.behaviours[LINK] = lambda *_: kit.SILENT
    result = world.audit(lineup, tags=tags, quick=True)
    assert len(mapped(world)) == 30
    assert world.seconds < 31
    assert all(len(world.judge.seen[tag].exchanges) == 1 for tag in tags)
    assert result.complete


def test_the_first_units_dead_do_not_condemn_the_rest(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 12, retries=1)
    world.behaviours[LINK] = lambda r, _: kit.SILENT if r.unit <= 8 else kit.DATA
    world.audit(lineup, tags=tags, quick=True)
    assert all(len(world.judge.seen[f"U{n}"].exchanges) == 4 for n in range(9, 13))


def test_a_link_that_dies_in_the_middle_gets_one_new_socket_then_is_left(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 4, blocks=20, retries=1, timeout_s=1.0)
    link_dead = [False]

    def behave(request: Any, link: Any) -> Any:
        link_dead[0] = link_dead[0] or len(link.asked) > 20
        return kit.SILENT if link_dead[0] else kit.DATA

    world.behaviours[LINK] = behave
    world.audit(lineup, tags=tags, quick=True)
    assert len(world.links[LINK].connects) == 2
    assert len(world.asked(LINK)) - 20 <= 2 * max(4, 3)
    assert world.seconds < 12


def test_the_gap_is_kept_between_units_and_across_retries(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 3, gap_s=0.2, retries=1)
    world.behaviours[LINK] = lambda r, _: kit.exception(0x04) if r.unit == 2 else kit.DATA
    world.audit(lineup, tags=tags, quick=True)
    link = world.links[LINK]
    starts = [at for at, _ in link.asked]
    assert len(starts) > 12
    assert all(start - end >= 0.2 * SECOND for end, start in zip(link.answered, starts[1:], strict=False))


def test_connect_pause_and_patience_with_the_first_answer(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 1, connect_pause_s=0.5, timeout_s=1.0, first_timeout_s=3.0)
    world.audit(lineup, tags=tags, quick=True)
    link = world.links[LINK]
    assert link.asked[0][0] - link.connects[0] >= 0.5 * SECOND
    assert [r.timeout_s for _, r in link.asked] == [3.0, 1.0, 1.0, 1.0]


def test_busy_is_waited_for_a_bounded_time_and_never_counts_as_dead(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 1, blocks=3)
    world.behaviours[LINK] = lambda *_: kit.exception(0x06)
    world.audit(lineup, tags=tags, quick=True)
    assert [r.attempt for r in mapped(world)] == [1, 2, 3, 4] * 3, "busy three times, then the next block"
    starts = [at for at, _ in world.links[LINK].asked]
    assert (starts[1] - starts[0]) / SECOND == pytest.approx(0.255, abs=0.01)


def test_a_server_that_closes_after_each_answer(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 1, blocks=5)
    result = audit_with_closing(world, lineup, tags)
    link = world.links[LINK]
    assert len(link.connects) == 5
    assert all(b - a >= SECOND for a, b in pairwise(link.connects)), "never more than one connect a second"
    assert all(b - a < 2 * SECOND for a, b in pairwise(link.connects)), "a valid reply resets the budget"
    assert [r.attempt for r in mapped(world)] == [1] * 5, "no request was lost"
    assert result.complete
    assert sum(d.by_peer for _, d in world.judge.seen["U1"].disconnects) == 5


def audit_with_closing(world: Any, lineup: Any, tags: Any) -> Any:
    """Run with links that drop after each answer."""
    make = world._link

    def closing(*arguments: Any) -> Any:
        link = make(*arguments)
        exchange = link.exchange

        async def once(*request: Any) -> Any:
            made = await exchange(*request)
            link.drop()
            return made

        link.exchange = once
        return link

    world._link = closing
    return world.audit(lineup, tags=tags, quick=True)


def test_a_connection_cut_while_idle_is_opened_again_without_blame(world: Any, kit: Any) -> None:
    cut = [True]

    def behave(request: Any, link: Any) -> Any:
        if len(link.asked) == 3 and cut.pop():
            return Outcome.CLOSED, 0, 0.001
        return kit.DATA

    lineup, tags = bus(kit, 1, retries=0)
    world.behaviours[LINK] = behave
    world.audit(lineup, tags=tags, quick=True)
    assert [r.attempt for r in mapped(world)] == [1, 1, 1, 2, 1]
    assert len(world.links[LINK].connects) == 2


def test_resets_on_every_request_end_after_three_connections(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 10)
    world.behaviours[LINK] = lambda *_: (Outcome.RESET, 0, 0.001)
    world.audit(lineup, tags=tags, quick=True)
    link = world.links[LINK]
    assert len(link.connects) == 3
    assert all(b - a >= 2 * SECOND for a, b in pairwise(link.connects))


def test_at_most_ten_connects_a_minute_without_a_valid_reply(world: Any, kit: Any) -> None:
    from probe.collect.pacing import ConnectBudget, Pacing

    budget, now = ConnectBudget(Pacing(connect_interval_s=0.5)), 0
    made = []
    for _ in range(40):
        now = max(now, budget.due_ns())
        budget.connected(now)
        made.append(now)
    assert all(made[i + 10] - made[i] >= 60 * SECOND for i in range(30))


def test_refused_in_the_middle_is_tried_longer_then_given_up(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 1, blocks=20)
    world.opens[LINK] = [ConnectOutcome.OPEN] + [ConnectOutcome.REFUSED] * 20
    world.behaviours[LINK] = lambda _, link: (Outcome.RESET, 0, 0.001) if len(link.asked) == 6 else kit.DATA
    world.audit(lineup, tags=tags, quick=True)
    link = world.links[LINK]
    assert len(link.connects) == 1 + 4
    pauses = [(b - a) / SECOND for a, b in pairwise(link.connects[1:])]
    assert pauses == pytest.approx([2.0, 4.0, 8.0], abs=0.05)


def test_a_link_that_must_not_be_held_is_closed_while_waiting(world: Any, kit: Any) -> None:
    from probe.model.profile import Freshness

    profile = kit.profile_of(
        kit.point("a", 0, moves=True),
        limits=Limits(hold_open=False),
        freshness=Freshness(points=("a",), after_s=5.0),
    )
    lineup = kit.lineup_of([{"tag": "Q", "address": {"host": "10.0.0.9"}}], [profile])
    world.audit(lineup)
    assert len(world.links[LINK].connects) == 2


def test_the_budget_of_a_network_is_shared_by_its_hosts(world: Any, kit: Any) -> None:
    profile = kit.profile_of(*[kit.point(f"p{i}", 300 * i) for i in range(5)])
    devices = [{"tag": f"Q{i}", "address": {"host": f"10.0.0.{i}"}} for i in range(1, 5)]
    network = {"name": "gear", "subnet": "10.0.0.0/24", "requests_per_second": 10}
    world.audit(kit.lineup_of(devices, [profile], networks=[network]), quick=True)
    starts = sorted(at for link in world.links.values() for at, _ in link.asked)
    assert len(starts) == 20
    assert all(b - a >= 0.1 * SECOND for a, b in pairwise(starts))


def test_absent_units_are_asked_once_and_are_not_in_the_map(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 3, timeout_s=1.0)
    world.behaviours[LINK] = lambda r, _: kit.SILENT if r.purpose is Purpose.ABSENT_UNIT else kit.DATA
    world.audit(lineup, tags=tags)
    asked = [r for r in world.asked(LINK) if r.purpose is Purpose.ABSENT_UNIT]
    assert [(r.unit, r.attempt, r.timeout_s) for r in asked] == [(4, 1, 3.0), (246, 1, 3.0)]
    assert all(len(world.judge.seen[tag].exchanges) >= 4 for tag in tags)


def test_a_gateway_slower_than_our_patience_is_waited_for_once_it_is_known(world: Any, kit: Any) -> None:
    """Its answer for the dead unit comes after 1.6 s; with our 1 s the unit behind it would be blamed."""
    lineup, tags = bus(kit, 4, blocks=3, retries=1, timeout_s=1.0, first_timeout_s=1.0)

    def behave(request: Any, link: Any) -> Any:
        if request.unit != 2:
            return kit.DATA
        if request.timeout_s < 1.6:
            late = Stray(link.name, link.clock.now_ns() + 1_600_000_000, Outcome.LATE, b"", request.tag)
            asyncio.get_running_loop().call_later(1.6, link.on_stray, late)
            return kit.SILENT
        return kit.exception(0x0B, 1.6)

    world.behaviours[LINK] = behave
    world.audit(lineup, tags=tags, quick=True)
    dead = [r.timeout_s for r in mapped(world) if r.unit == 2]
    assert dead[0] == 1.0
    assert dead[1] == pytest.approx(2.0)
    assert [e.outcome for e in world.watcher.exchanges if e.tag == "U2"][-1] is Outcome.EXCEPTION
    assert len(world.ledger.of(Stray)) == 1


def test_patience_with_late_answers_has_an_end(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 2, blocks=9, retries=9, timeout_s=1.0, first_timeout_s=1.0)

    def behave(request: Any, link: Any) -> Any:
        late = Stray(link.name, link.clock.now_ns() + 90_000_000_000, Outcome.LATE, b"", request.tag)
        asyncio.get_running_loop().call_later(request.timeout_s + 0.01, link.on_stray, late)
        return kit.SILENT

    world.behaviours[LINK] = behave
    world.audit(lineup, tags=tags, quick=True)
    assert max(r.timeout_s for r in mapped(world)) == 3.0


def test_a_device_alone_is_judged_by_its_own_time_out(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 1, timeout_s=1.0, first_timeout_s=1.0)

    def behave(request: Any, link: Any) -> Any:
        late = Stray(link.name, link.clock.now_ns() + 1_500_000_000, Outcome.LATE, b"", request.tag)
        asyncio.get_running_loop().call_later(1.5, link.on_stray, late)
        return kit.SILENT

    world.behaviours[LINK] = behave
    world.audit(lineup, tags=tags, quick=True)
    assert {r.timeout_s for r in mapped(world)} == {1.0}


def test_a_device_that_closes_during_the_gap_is_opened_again_before_it_is_asked(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 1, blocks=4, gap_s=0.5)

    def behave(request: Any, link: Any) -> Any:
        if len(link.asked) == 2:
            asyncio.get_running_loop().call_later(0.1, link.drop)
        return kit.DATA

    world.behaviours[LINK] = behave
    world.audit(lineup, tags=tags, quick=True)
    assert [r.attempt for r in mapped(world)] == [1, 1, 1, 1]
    assert len(world.links[LINK].connects) == 2


def test_an_attempt_that_was_not_sent_is_no_attempt(world: Any, kit: Any) -> None:
    lineup, tags = bus(kit, 1, blocks=3)

    def behave(request: Any, link: Any) -> Any:
        return (Outcome.NOT_SENT, 0, 0.0) if len(link.asked) == 2 else kit.DATA

    world.behaviours[LINK] = behave
    world.audit(lineup, tags=tags, quick=True)
    assert [r.attempt for r in mapped(world)] == [1, 1, 1, 1]


def test_the_gap_counts_over_a_new_connection(world: Any, kit: Any) -> None:
    """Found by the simulation: a connection that opens fast must not shorten the rest that the type asks."""
    lineup, tags = bus(kit, 1, gap_s=0.5, timeout_s=5.0)
    outcomes = iter([(Outcome.CLOSED, 0, 3.0)])
    world.behaviours[LINK] = lambda *_: next(outcomes, kit.DATA)
    world.audit(lineup, tags=tags, quick=True)
    link = world.links[LINK]
    assert len(link.connects) == 2
    assert link.asked[1][0] - link.answered[0] >= SECOND // 2
