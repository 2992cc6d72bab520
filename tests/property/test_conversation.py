"""Whatever a device answers, its conversation ends within bounds and keeps its own rules."""

from __future__ import annotations

import struct
from itertools import pairwise
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from probe.collect.conversation import Conversation, Course
from probe.collect.device_plan import DevicePlan, plan_device
from probe.collect.events import Phase
from probe.collect.pacing import Pacing
from probe.collect.plan import Price
from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.profile import (
    Area,
    ClockRule,
    Freshness,
    IdentityRule,
    Limits,
    Point,
    Profile,
    Proof,
)
from probe.wire.link import Request

RETRIES = 2
SECOND = 1_000_000_000


def point(name: str, start: int, count: int = 1, *, area: Area = Area.HOLDING, atom: str = "") -> Point:
    return Point(
        name=name, title=name, area=area, start=start, count=count, type="u16", order="AB",
        decoder=None, atom=atom,  # type: ignore[arg-type]
    )  # fmt: skip


def whole_plan() -> DevicePlan:
    points = (
        point("serial", 0, 4),
        point("proof", 10),
        *[point(f"v{i}", 20 + 3 * i, 2) for i in range(12)],
        point("far", 400),
        *[point(f"c{i}", i, area=Area.COIL) for i in range(9)],
        point("seconds", 500, 2, atom="clock"),
    )
    profile = Profile(
        name="p", title="", kind="other", limits=Limits(retries=RETRIES), points=points,  # type: ignore[arg-type]
        by_name={p.name: p for p in points},
        identity=IdentityRule(objects={"maker": 0}, points={"serial": "serial"}),
        proof=(Proof(point="proof", equals=1),),
        clock=ClockRule(point="seconds", zone="utc", resolution_s=1.0),
        freshness=Freshness(points=("v0",), after_s=2.0),
    )  # fmt: skip
    return plan_device(profile, 0, Price(5_000_000, 10_000))


PLAN = whole_plan()
FAULTS = [(outcome, 0) for outcome in Outcome if outcome not in (Outcome.DATA, Outcome.EXCEPTION)]
replies = st.one_of(
    st.just((Outcome.DATA, 0)),
    st.sampled_from(FAULTS),
    st.tuples(st.just(Outcome.EXCEPTION), st.sampled_from([1, 2, 3, 4, 5, 6, 8, 10, 11, 77])),
)


def response(request: Request, outcome: Outcome, code: int, more: int) -> bytes:
    """A frame as the wire would hand it on; identification with ``more`` says that more follows."""
    function = request.pdu[0]
    if outcome is Outcome.EXCEPTION:
        pdu = bytes((function | 0x80, code))
    elif outcome is not Outcome.DATA:
        return b""
    elif function == 0x2B:
        pdu = bytes((0x2B, 0x0E, 1, 1, more, (request.pdu[3] + 1) % 256, 1, request.pdu[3], 1)) + b"M"
    else:
        count = struct.unpack(">H", request.pdu[3:5])[0]
        size = 2 * count if function >= 3 else (count + 7) // 8
        pdu = bytes((function, size)) + bytes(size)
    return struct.pack(">HHHB", 1, 0, 1 + len(pdu), request.unit) + pdu


def converse(course: Course, answers: list[tuple[Outcome, int]], more: int) -> list[Exchange | int | Phase]:
    """Everything that happened; the answers are repeated for ever."""
    talk = Conversation(tag="Q", unit=9, plan=PLAN, course=course, pacing=Pacing())
    script = talk.script()
    happened: list[Exchange | int | Phase] = []
    now, turn = 0, next(script, None)
    while turn is not None:
        assert len(happened) < 3000, "it never ends"
        if isinstance(turn, Request):
            outcome, code = answers[len(happened) % len(answers)]
            sent = now
            now += round(turn.timeout_s * SECOND) if outcome is Outcome.NO_ANSWER else SECOND // 100
            exchange = Exchange(
                turn.tag, turn.purpose, Framing.MBAP, turn.round, turn.attempt, sent, now, outcome, code,
                struct.pack(">HHHB", 1, 0, 6, turn.unit) + turn.pdu, response(turn, outcome, code, more),
            )  # fmt: skip
            happened.append(exchange)
            try:
                turn = script.send(exchange)
            except StopIteration:
                break
        else:
            happened.append(turn)
            now = max(now, turn) if not isinstance(turn, Phase) else now
            turn = next(script, None)
    return happened


courses = st.builds(
    Course,
    quick=st.booleans(),
    dwell_s=st.sampled_from([0.0, 5.0]),
    poll_pause_s=st.just(1.0),
    shared=st.booleans(),
    absent_units=st.sampled_from([(), (246,), (10, 246)]),
)


@given(course=courses, answers=st.lists(replies, min_size=1, max_size=12), more=st.sampled_from([0, 0xFF]))
def test_it_ends_and_keeps_its_rules(course: Course, answers: list[tuple[Outcome, int]], more: int) -> None:
    exchanges = [one for one in converse(course, answers, more) if isinstance(one, Exchange)]
    most = 1 + RETRIES + Pacing().busy_tries + 2
    assert all(1 <= e.attempt <= most for e in exchanges)
    for earlier, later in pairwise(exchanges):
        assert later.sent_ns >= earlier.received_ns
        if later.attempt > 1 and later.purpose is not Purpose.IDENTITY:
            assert later.request == earlier.request, "a retry asks the same again"
    asked_units = {e.request[6] for e in exchanges}
    assert asked_units <= {9, *course.absent_units}
    assert all(e.request[7] in (1, 3, 0x2B) for e in exchanges)


@given(answers=st.lists(replies.filter(lambda r: r[0] is not Outcome.DATA), min_size=1, max_size=4))
def test_a_device_that_never_gives_data_costs_a_bounded_number_of_requests(answers: Any) -> None:
    happened = converse(Course(absent_units=(246,)), answers, 0)
    asks = 10 + Pacing().splits  # the plan's own, and parts of refused blocks
    attempts = 1 + RETRIES + Pacing().busy_tries + 1  # the last for a connection cut while idle
    assert sum(isinstance(one, Exchange) for one in happened) <= asks * attempts


@given(
    answers=st.lists(st.sampled_from([(Outcome.NO_ANSWER, 0), (Outcome.SHORT, 0)]), min_size=1, max_size=5)
)
def test_without_a_valid_reply_it_is_over_after_the_first_reads(answers: Any) -> None:
    exchanges = [e for e in converse(Course(), answers, 0) if isinstance(e, Exchange)]
    assert len(exchanges) == 1 + 1 + RETRIES
