"""Echo, neighbours and reference clocks beside the run; the instruments are made up, nothing is sent."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from probe.collect.surroundings import outside_host
from probe.model.errors import Problem, RecordError
from probe.model.evidence import Echo, Neighbour, Note, ReferenceSample
from probe.model.profile import ClockRule
from probe.wire.echo import EchoRight


@pytest.mark.parametrize(
    ("host", "outside"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("127.0.0.1", ""),
        ("127.9.9.9", ""),
        ("::1", ""),
        ("2001:DB8::0:1", "2001:db8::1"),
        ("meter-7.site", ""),
        ("", ""),
    ],
)
def test_only_numeric_addresses_of_other_computers_are_looked_at(host: str, outside: str) -> None:
    assert outside_host(host) == outside


def with_clock(kit: Any) -> Any:
    rule = ClockRule(point="seconds", zone="utc", resolution_s=1.0)
    return kit.profile_of(kit.point("seconds", 500, 2), clock=rule)


def gateway_and_meter(kit: Any, **more: Any) -> Any:
    devices = [
        {"tag": "GW", "address": {"host": "192.0.2.9"}},
        {"tag": "U1", "address": {"via": "GW", "unit": 1}},
        {"tag": "M1", "address": {"host": "192.0.2.10"}},
    ]
    return kit.lineup_of(devices, [kit.profile_of(kit.point("a", 0), kit.point("b", 400))], **more)


def test_each_host_gets_one_echo_booked_on_its_first_tag(world: Any, kit: Any) -> None:
    world.audit(gateway_and_meter(kit))
    echoes = {(e.host, e.tag) for e in world.ledger.of(Echo)}
    assert echoes == {("192.0.2.9", "GW"), ("192.0.2.10", "M1")}
    assert len(world.judge.seen["M1"].echoes) == 1


def test_an_echo_that_does_not_come_holds_nobody_up(world: Any, kit: Any) -> None:
    async def never(*_: Any) -> Echo:
        await asyncio.sleep(3600)
        raise AssertionError("nobody waits an hour")

    world.senses = world.senses._replace(echo=never)
    result = world.audit(gateway_and_meter(kit), quick=True)
    assert result.complete
    assert world.seconds < 1
    assert world.ledger.of(Echo) == []


@pytest.mark.parametrize("right", [EchoRight.NOT_PERMITTED, EchoRight.NOT_AVAILABLE])
def test_a_missing_right_is_said_once(world: Any, kit: Any, right: EchoRight) -> None:
    world.senses = world.senses._replace(echo_right=lambda: right)
    world.audit(gateway_and_meter(kit))
    assert [(n.topic, right.value in n.text) for n in world.ledger.of(Note)] == [("not permitted", True)]


def test_the_neighbour_table_is_read_seldom_and_kept_for_each_device(world: Any, kit: Any) -> None:
    reads = []

    async def table() -> dict[str, str]:
        reads.append(1)
        return {"192.0.2.9": "02:00:5e:10:00:09"}

    world.senses = world.senses._replace(table=table)
    world.audit(gateway_and_meter(kit), quick=True)
    found = {n.tag: n.hardware_address for n in world.ledger.of(Neighbour)}
    assert found == {"GW": "02:00:5e:10:00:09", "U1": "02:00:5e:10:00:09"}
    assert len(world.judge.seen["U1"].neighbours) == 1
    assert len(reads) == 1


def test_this_computer_as_reference_is_read_before_and_after(world: Any, kit: Any) -> None:
    lineup = kit.lineup_of([{"tag": "M1", "address": {"host": "192.0.2.10"}}], [with_clock(kit)])
    world.audit(lineup)
    samples = world.ledger.of(ReferenceSample)
    assert [s.source for s in samples] == ["laptop", "laptop"]
    assert [s for _, s in world.judge.run.references] == samples


def test_a_server_as_reference_is_read_before_and_after(world: Any, kit: Any) -> None:
    asked = []

    async def ntp(name: Any, clock: Any, sampling: Any) -> tuple[ReferenceSample, ...]:
        asked.append((name.place, sampling.samples))
        now = clock.now_ns()
        return (ReferenceSample(name.source, now, now, -5, 5, True, "", b""),) * sampling.samples

    world.senses = world.senses._replace(ntp=ntp)
    device = {"tag": "M1", "address": {"host": "192.0.2.10"}}
    world.audit(kit.lineup_of([device], [with_clock(kit)], clock={"reference": "ntp:192.0.2.1"}))
    assert asked == [("192.0.2.1", 1)] * 3
    assert len(world.ledger.of(ReferenceSample)) == 3


@pytest.mark.parametrize(("clock", "quick"), [(True, True), (False, False)])
def test_no_reference_is_read_where_no_clock_is(world: Any, kit: Any, clock: bool, quick: bool) -> None:
    profile = with_clock(kit) if clock else kit.profile_of(kit.point("a", 0))
    lineup = kit.lineup_of([{"tag": "M1", "address": {"host": "192.0.2.10"}}], [profile])
    world.audit(lineup, quick=quick)
    assert world.ledger.of(ReferenceSample) == []


def test_a_ledger_that_fails_on_an_echo_ends_the_run(world: Any, kit: Any) -> None:
    keep = world.ledger.keep

    def picky(evidence: Any) -> int:
        if isinstance(evidence, Echo):
            raise RecordError(Problem(file="x.audit.jsonl", what="the disk is full"))
        return keep(evidence)

    world.ledger.keep = picky
    result = world.audit(gateway_and_meter(kit), dwell_s=60.0)
    assert not result.complete
    assert "disk is full" in result.why_incomplete
    assert world.seconds < 1
