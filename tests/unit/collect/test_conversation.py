"""What follows from each answer: refused blocks, block limits, faults, identification in fragments."""

from __future__ import annotations

import struct
from dataclasses import replace
from typing import Any

import pytest

from probe.collect.conversation import Conversation, Course
from probe.collect.device_plan import plan_device
from probe.collect.guest import Guest
from probe.collect.journal import LinkLog, Shelf
from probe.collect.pacing import Pacing
from probe.collect.plan import ethernet_price
from probe.collect.turn import Aside
from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.profile import Area, IdentityRule, Limits, Quirks
from probe.model.reading import Quality
from probe.wire.link import Request

LINK = "10.0.0.1:502"


def audit_points(world: Any, kit: Any, *points: Any, limits: Limits | None = None, **scope: Any) -> None:
    profile = kit.profile_of(*points, limits=limits)
    lineup = kit.lineup_of([{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [profile])
    world.audit(lineup, **{"quick": True, **scope})


def spans(world: Any, purpose: Purpose = Purpose.POLL) -> list[tuple[int, int]]:
    """First address and quantity of each read of the purpose."""
    return [struct.unpack(">HH", r.pdu[1:]) for r in world.asked(LINK) if r.purpose is purpose]


def with_hole(kit: Any, *holes: int, code: int = 2) -> Any:
    """A device that refuses every block which touches one of the addresses."""

    def behave(request: Any, _: Any) -> Any:
        start, count = struct.unpack(">HH", request.pdu[1:])
        touched = any(start <= hole < start + count for hole in holes)
        return kit.exception(code) if touched else kit.DATA

    return behave


def test_an_unknown_hole_is_found_and_the_rest_is_read(world: Any, kit: Any) -> None:
    points = [kit.point(f"p{i}", 2 * i, 2) for i in range(8)]
    world.behaviours[LINK] = with_hole(kit, 10)
    audit_points(world, kit, *points)
    asked = spans(world)
    assert asked[0] == (0, 16)
    read = {a for s, n in asked for a in range(s, s + n) if not s <= 10 < s + n}
    assert read == {*range(16)} - {10, 11}, "all but the point on the hole"
    assert (10, 2) in asked
    assert len(asked) <= 1 + 2 * 3, "two requests for each halving"


def test_an_atom_is_never_cut_while_a_hole_is_looked_for(world: Any, kit: Any) -> None:
    points = [kit.point(f"p{i}", i, atom="t" if 2 <= i <= 5 else "") for i in range(8)]
    world.behaviours[LINK] = with_hole(kit, 3)
    audit_points(world, kit, *points)
    for start, count in spans(world):
        held = {*range(start, start + count)} & {2, 3, 4, 5}
        assert held in (set(), {2, 3, 4, 5})


def test_what_was_learned_is_remembered_in_the_next_round(world: Any, kit: Any) -> None:
    points = [kit.point(f"p{i}", 2 * i, 2) for i in range(4)]
    world.behaviours[LINK] = with_hole(kit, 3)
    audit_points(world, kit, *points, quick=False, dwell_s=3.0)
    by_round: dict[int, list[tuple[int, int]]] = {}
    for request in world.asked(LINK):
        if request.purpose is Purpose.POLL:
            by_round.setdefault(request.round, []).append(struct.unpack(">HH", request.pdu[1:]))
    assert any(s <= 3 < s + n for s, n in by_round[0])
    assert len(by_round) > 2
    later = [span for number, asked in by_round.items() if number for span in asked]
    assert not any(s <= 3 < s + n for s, n in later)
    assert {a for s, n in by_round[1] for a in range(s, s + n)} == {0, 1, 4, 5, 6, 7}


@pytest.mark.parametrize("code", [2, 3])
def test_a_block_limit_below_the_profile_is_halved_once_and_remembered(
    world: Any, kit: Any, code: int
) -> None:
    def behave(request: Any, _: Any) -> Any:
        count = struct.unpack(">H", request.pdu[3:])[0]
        return kit.exception(code) if count > 64 else kit.DATA

    world.behaviours[LINK] = behave
    points = [kit.point(f"p{i}", i) for i in range(0, 250, 2)]
    audit_points(world, kit, *points)
    asked = spans(world)
    refused = [n for _, n in asked if n > 64]
    assert len(refused) == 1, "the second block was made small before it was asked"
    wanted = {*range(0, 250, 2)}
    assert wanted <= {a for s, n in asked if n <= 64 for a in range(s, s + n)}


def test_looking_for_holes_is_bounded(world: Any, kit: Any) -> None:
    points = [kit.point(f"p{i}", i) for i in range(120)]
    world.behaviours[LINK] = lambda *_: kit.exception(2)
    audit_points(world, kit, *points)
    assert len(spans(world)) <= 1 + world.pacing.splits


def test_one_point_refused_is_asked_once(world: Any, kit: Any) -> None:
    world.behaviours[LINK] = lambda *_: kit.exception(2)
    audit_points(world, kit, kit.point("a", 0, 4))
    assert spans(world) == [(0, 4)]


@pytest.mark.parametrize("code", [1, 2, 3, 7])
def test_exceptions_that_will_not_change_are_not_retried(world: Any, kit: Any, code: int) -> None:
    world.behaviours[LINK] = lambda *_: kit.exception(code)
    audit_points(world, kit, kit.point("a", 0))
    assert [r.attempt for r in world.asked(LINK)] == [1]


@pytest.mark.parametrize(
    "outcome", [Outcome.SHORT, Outcome.LONG, Outcome.WRONG_UNIT, Outcome.WRONG_FUNCTION, Outcome.ODD]
)
def test_malformed_answers_are_retried_and_numbered_then_given_up(
    world: Any, kit: Any, outcome: Outcome
) -> None:
    world.behaviours[LINK] = lambda *_: (outcome, 0, 0.005)
    audit_points(world, kit, *[kit.point(f"p{i}", 300 * i) for i in range(9)], limits=Limits(retries=2))
    assert [r.attempt for r in world.asked(LINK)] == [1, 2, 3], "no valid reply ever: not asked further"


def test_one_bad_block_does_not_end_the_conversation(world: Any, kit: Any) -> None:
    def behave(request: Any, _: Any) -> Any:
        return (Outcome.SHORT, 0, 0.005) if request.pdu[1:3] == b"\x01\x2c" else kit.DATA

    world.behaviours[LINK] = behave
    audit_points(world, kit, *[kit.point(f"p{i}", 300 * i) for i in range(4)], limits=Limits(retries=1))
    assert [(s, n) for s, n in spans(world)] == [(0, 1), (300, 1), (300, 1), (600, 1), (900, 1)]


def test_a_device_that_falls_silent_is_left_after_two_asks(world: Any, kit: Any) -> None:
    world.behaviours[LINK] = lambda _, link: kit.DATA if len(link.asked) <= 2 else kit.SILENT
    audit_points(world, kit, *[kit.point(f"p{i}", 300 * i) for i in range(9)], limits=Limits(retries=1))
    assert spans(world) == [(0, 1), (300, 1), (600, 1), (600, 1), (900, 1), (900, 1)]


def test_bits_have_a_limit_of_their_own(world: Any, kit: Any) -> None:
    def behave(request: Any, _: Any) -> Any:
        function, _start, count = struct.unpack(">BHH", request.pdu)
        return kit.exception(3) if function == 1 and count > 8 else kit.DATA

    world.behaviours[LINK] = behave
    coils = [kit.point(f"c{i}", i, area=Area.COIL) for i in range(16)]
    registers = [kit.point(f"r{i}", i) for i in range(60)]
    audit_points(world, kit, *coils, *registers)
    assert spans(world) == [(0, 16), (0, 8), (8, 8), (0, 60)]


def identify(world: Any, kit: Any, identity: IdentityRule) -> list[Any]:
    points = [kit.point("serial", 0, 4), kit.point("value", 500)]
    profile = kit.profile_of(*points, identity=identity)
    lineup = kit.lineup_of([{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [profile])
    world.audit(lineup, quick=True)
    return [r for r in world.asked(LINK) if r.purpose is Purpose.IDENTITY]


def test_identification_points_when_the_function_is_refused(world: Any, kit: Any) -> None:
    world.behaviours[LINK] = lambda r, _: kit.exception(1) if r.pdu[0] == 0x2B else kit.DATA
    asked = identify(world, kit, IdentityRule(objects={"maker": 0}, points={"maker": "serial"}))
    assert [r.pdu[0] for r in asked] == [0x2B, 3]


def test_identification_points_are_left_out_when_all_is_told(world: Any, kit: Any) -> None:
    asked = identify(world, kit, IdentityRule(objects={"maker": 0}, points={"maker": "serial"}))
    assert [r.pdu[0] for r in asked] == [0x2B]


def test_the_category_asked_holds_all_objects(world: Any, kit: Any) -> None:
    """Source: MODBUS Application Protocol Specification V1.1b3, 6.21."""
    for object_id, category in ((2, 1), (5, 2), (0x80, 3)):
        world.links.clear()
        world.judge.seen.clear()
        world.ledger.kept.clear()
        asked = identify(world, kit, IdentityRule(objects={"maker": 0, "model": object_id}))
        assert asked[0].pdu == bytes((0x2B, 0x0E, category, 0))


class Seconds:
    def decode(self, raw: bytes) -> Any:
        return int.from_bytes(raw, "big"), Quality.GOOD


def test_a_restart_ends_the_conversation_with_the_clock_too(kit: Any) -> None:
    """Driven by hand: the time since start is 9, 10, then 2; the clock's conversation waits meanwhile."""
    up = replace(kit.point("up", 5), decoder=Seconds())
    profile = kit.profile_of(up, kit.point("other", 300), uptime="up")
    plan = plan_device(profile, 0, ethernet_price(Limits()))
    began: list[Any] = []

    def clock() -> Any:
        began.append("clock")
        yield 10**15

    talk = Conversation(
        tag="Q1", unit=1, plan=plan, course=Course(dwell_s=60.0), pacing=Pacing(), clock=clock()
    )
    uptimes, asked, now_ns = iter((9, 10, 2)), [], 0
    beside = None
    script, sent = talk.script(), None
    while True:
        try:
            turn = script.send(sent) if sent is not None else next(script)
        except StopIteration:
            break
        sent = None
        if isinstance(turn, Aside):
            beside = turn.script
            next(beside)
        elif isinstance(turn, Request):
            start, count = struct.unpack(">HH", turn.pdu[1:])
            asked.append(start)
            value = next(uptimes) if start == 5 else 0
            frame = struct.pack(">HHHB", 1, 0, 6, 1)
            now_ns += 10**9
            data = bytes((3, 2 * count)) + struct.pack(f">{count}H", value, *[0] * (count - 1))
            sent = Exchange(
                "Q1", turn.purpose, Framing.MBAP, turn.round, 1, now_ns - 10**8, now_ns, Outcome.DATA, 0,
                frame + turn.pdu, frame + data,
            )  # fmt: skip
    assert began == ["clock"]
    assert asked == [5, 300, 5, 300, 5]
    assert talk.restarted
    assert not talk.given_up
    assert beside is not None
    assert next(beside, "over") == "over"
    assert Guest("Q1", beside, Shelf("Q1", LinkLog()), Quirks()).is_over
