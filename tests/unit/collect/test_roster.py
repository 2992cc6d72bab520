"""Which units nobody should answer for, and what a plan that cannot be carried out says."""

from __future__ import annotations

from typing import Any

import pytest

from probe.collect.agent import prepare
from probe.collect.roster import absent_units
from probe.model.device_map import Target
from probe.model.errors import InputError
from probe.model.evidence import Framing
from probe.model.profile import Limits
from probe.model.scope import Scope


def target(unit: int = 255, gateway: str = "", framing: Framing = Framing.MBAP) -> Target:
    return Target("10.0.0.1", 502, unit, framing, None, gateway)


@pytest.mark.parametrize(
    ("taken", "where", "asked"),
    [
        ({255}, target(), (246,)),
        ({246}, target(246), (245,)),
        ({1, 2, 3}, target(1, "GW"), (4, 246)),
        ({1, 255}, target(1, "GW"), (2, 246)),
        ({247, 246, 245}, target(247, "GW"), (1, 244)),
        ({9}, target(9, framing=Framing.RTU), (10, 246)),
        (set(range(1, 246)), target(1, "GW"), (246,)),
    ],
)
def test_units_that_the_map_does_not_hold(taken: set[int], where: Target, asked: tuple[int, ...]) -> None:
    assert absent_units(taken, where) == asked
    assert not taken & set(asked)


def test_a_bus_without_a_free_unit_asks_none() -> None:
    assert absent_units(set(range(1, 248)), target(1, "GW")) == ()


def test_a_point_that_cannot_be_read_is_named(world: Any, kit: Any) -> None:
    profile = kit.profile_of(kit.point("text", 0, 20), limits=Limits(registers=16), name="short")
    lineup = kit.lineup_of([{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [profile])
    with pytest.raises(InputError) as caught:
        prepare(lineup, Scope(tags=("Q1",)), judge=world.judge)
    problem = caught.value.problems[0]
    assert problem.file == "profile short"
    assert "text" in problem.field
    assert problem.remedy


def test_a_shift_off_the_address_range_is_refused_with_the_range_that_fits(world: Any, kit: Any) -> None:
    profile = kit.profile_of(kit.point("a", 10), kit.point("b", 100))
    device = {"tag": "Q1", "address": {"host": "10.0.0.1"}, "register_shift": -11}
    with pytest.raises(InputError) as caught:
        prepare(kit.lineup_of([device], [profile]), Scope(tags=("Q1",)), judge=world.judge)
    assert caught.value.problems[0].allowed.startswith("-10 to 65435")


def test_the_plan_is_made_once_for_all_devices_of_a_profile(world: Any, kit: Any) -> None:
    from probe.collect.roster import berths_by_link

    profile = kit.profile_of(kit.point("a", 0))
    devices = [{"tag": f"Q{i}", "address": {"host": f"10.0.0.{i}"}} for i in range(1, 100)]
    lineup = kit.lineup_of(devices, [profile])
    berths = berths_by_link(lineup, Scope(tags=tuple(lineup.map.by_tag)))
    assert len({id(berth.plan) for group in berths.values() for berth in group}) == 1


def test_the_estimate_is_what_a_healthy_run_asks(world: Any, kit: Any) -> None:
    profile = kit.profile_of(kit.point("a", 0), kit.point("b", 400))
    lineup = kit.lineup_of([{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [profile])
    plan = prepare(lineup, Scope(tags=("Q1",)), judge=world.judge)
    assert plan.requests == world.audit(lineup).requests
    assert plan.seconds > 0
    assert [e.subject for e in plan.expectations] == ["Q1"]
