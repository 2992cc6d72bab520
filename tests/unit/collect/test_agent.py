"""Whole runs in jumping time: order, silence, interruption, broken ledgers and observers."""

from __future__ import annotations

import asyncio
import gc
from itertools import pairwise
from typing import Any

import pytest

from probe.collect.events import Phase
from probe.collect.journal import Shelf
from probe.collect.pacing import Pacing
from probe.model.evidence import Anchor, Connect, ConnectOutcome, Disconnect, Note, Outcome, Purpose
from probe.model.profile import ClockRule, Freshness, IdentityRule, Limits, Proof


def full_profile(kit: Any, **limits: Any) -> Any:
    """A profile with everything that a conversation can have."""
    points = [
        kit.point("serial", 0, 4),
        kit.point("proof", 10),
        kit.point("volts", 20, 2),
        kit.point("energy", 22, 2, moves=True),
        kit.point("far", 400),
        kit.point("seconds", 500, 2, atom="clock"),
        kit.point("milliseconds", 502, atom="clock"),
    ]
    return kit.profile_of(
        *points,
        limits=Limits(**limits),
        identity=IdentityRule(objects={"maker": 0}, points={"serial": "serial"}),
        proof=(Proof(point="proof", equals=7),),
        clock=ClockRule(point="seconds", zone="utc", resolution_s=1.0),
        freshness=Freshness(points=("energy",), after_s=3.0),
    )


def one_device(kit: Any, profile: Any) -> Any:
    return kit.lineup_of([{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [profile])


def purposes(world: Any, link: str = "10.0.0.1:502") -> list[str]:
    return [request.purpose.value for request in world.asked(link)]


def test_identity_first_then_clock_proof_values_and_what_must_move(world: Any, kit: Any) -> None:
    result = world.audit(one_device(kit, full_profile(kit)))
    assert purposes(world) == [
        "identity", "identity", "clock", "proof", "poll", "poll", "absent unit",
        "clock", "clock", "freshness",
    ]  # fmt: skip
    assert [r.round for r in world.asked("10.0.0.1:502")] == [0] * 7 + [1] * 3
    assert result.complete
    assert result.why_incomplete == ""
    assert result.requests == 10
    first_poll, freshness = (
        [e for e in world.watcher.exchanges if e.purpose is purpose]
        for purpose in (Purpose.POLL, Purpose.FRESHNESS)
    )
    assert freshness[0].sent_ns - first_poll[-1].received_ns >= 3_000_000_000


def test_the_clock_is_read_whole_and_alone(world: Any, kit: Any) -> None:
    world.audit(one_device(kit, full_profile(kit)))
    clock = [r for r in world.asked("10.0.0.1:502") if r.purpose is Purpose.CLOCK]
    assert [r.pdu.hex() for r in clock] == ["0301f40003"] * 3  # addresses 500 to 502


def test_evidence_is_let_go_once_its_device_is_judged(
    world: Any, kit: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    held: list[int] = []

    def look(_: object) -> None:
        shelves = [one for one in gc.get_objects() if type(one) is Shelf]
        assert shelves, "hosts hold the shelves until the run is over"
        held.append(sum(len(shelf.exchanges) for shelf in shelves))

    monkeypatch.setattr(world.watcher, "run_finished", look)
    gc.collect()  # what a run that a test before this one cut off left in a circle
    assert world.audit(one_device(kit, full_profile(kit))).requests == 10
    assert held == [0]


def test_quick_leaves_out_clock_freshness_and_absent_units(world: Any, kit: Any) -> None:
    world.audit(one_device(kit, full_profile(kit)), quick=True)
    assert purposes(world) == ["identity", "identity", "proof", "poll", "poll"]


def test_dwell_polls_all_points_again_until_its_time_is_over(world: Any, kit: Any) -> None:
    world.audit(one_device(kit, full_profile(kit)), dwell_s=10.0, poll_pause_s=2.0)
    rounds = [r.round for r in world.asked("10.0.0.1:502") if r.purpose is Purpose.POLL]
    assert rounds == [number for number in range(5) for _ in (0, 1)]
    assert "freshness" not in purposes(world), "ten seconds of polls have shown what moves"
    assert world.seconds == pytest.approx(10.0, abs=1.2)


def test_the_register_shift_is_on_the_wire(world: Any, kit: Any) -> None:
    device = {"tag": "Q1", "address": {"host": "10.0.0.1"}, "register_shift": 100}
    world.audit(kit.lineup_of([device], [kit.profile_of(kit.point("a", 5))]), quick=True)
    assert world.asked("10.0.0.1:502")[0].pdu.hex() == "0300690001"


def test_everything_is_kept_judged_and_told(world: Any, kit: Any) -> None:
    world.audit(one_device(kit, full_profile(kit)))
    evidence = world.judge.seen["Q1"]
    assert [e for _, e in evidence.exchanges] == world.watcher.exchanges
    assert all(world.ledger.kept[number - 1] is e for number, e in evidence.exchanges)
    assert len(evidence.connects) == len(evidence.disconnects) == 1
    assert not evidence.interrupted
    assert len(world.ledger.of(Anchor)) == 2
    assert world.ledger.concluded is not None
    phases = [phase for _, phase in world.watcher.phases]
    assert phases[0] is Phase.WAITING
    assert phases[-1] is Phase.DONE
    assert world.watcher.started == 1
    assert world.watcher.result is not None


def test_a_silent_device_ends_after_its_own_time_outs(world: Any, kit: Any) -> None:
    world.behaviours["10.0.0.1:502"] = lambda *_: kit.SILENT
    profile = full_profile(kit, timeout_s=1.0, first_timeout_s=2.0, retries=2)
    world.audit(one_device(kit, profile))
    # identification once, then three attempts of the first read
    assert purposes(world) == ["identity"] * 4
    assert [r.attempt for r in world.asked("10.0.0.1:502")] == [1, 1, 2, 3]
    assert world.seconds == pytest.approx(2.0 + 3 * 1.0, abs=0.1)
    assert world.links["10.0.0.1:502"].connects == [0]


def test_silent_devices_do_not_add_up(world: Any, kit: Any) -> None:
    world.behaviours[""] = lambda *_: kit.SILENT
    devices = [{"tag": f"Q{i}", "address": {"host": f"10.0.0.{i}"}} for i in range(1, 51)]
    world.audit(kit.lineup_of(devices, [full_profile(kit, timeout_s=1.0, first_timeout_s=1.0)]))
    assert world.seconds == pytest.approx(4.0, abs=0.1)


def test_a_device_that_ignores_identification_is_read_all_the_same(world: Any, kit: Any) -> None:
    world.behaviours[""] = lambda r, _: kit.SILENT if r.pdu[0] == 0x2B else kit.DATA
    world.audit(one_device(kit, full_profile(kit)))
    identifications = [r.attempt for r in world.asked("10.0.0.1:502") if r.pdu[0] == 0x2B]
    assert identifications == [1, 2], "asked once more when the device had shown that it is there"
    assert "poll" in purposes(world)


@pytest.mark.parametrize(
    ("outcome", "tries"),
    [(ConnectOutcome.REFUSED, 2), (ConnectOutcome.NO_ANSWER, 2), (ConnectOutcome.NO_NAME, 1)],
)
def test_a_host_that_cannot_be_reached(world: Any, kit: Any, outcome: ConnectOutcome, tries: int) -> None:
    world.opens["10.0.0.1:502"] = [outcome] * 9
    result = world.audit(one_device(kit, full_profile(kit)))
    connects = world.judge.seen["Q1"].connects
    assert [c.outcome for _, c in connects] == [outcome] * tries
    starts = [c.sent_ns for _, c in connects]
    assert all(later - earlier >= 2_000_000_000 for earlier, later in pairwise(starts))
    assert result.complete, "that nobody is there is a result"
    assert not world.links["10.0.0.1:502"].asked


def test_stopping_in_the_middle_keeps_what_was_seen(world: Any, kit: Any) -> None:
    def stop_soon(stop: asyncio.Event, clock: Any) -> None:
        asyncio.get_running_loop().call_later(1.5, stop.set)

    world.on_start = stop_soon
    result = world.audit(one_device(kit, full_profile(kit)), dwell_s=60.0)
    assert not result.complete
    assert "stopped" in result.why_incomplete
    evidence = world.judge.seen["Q1"]
    assert evidence.interrupted
    assert evidence.exchanges
    assert [n.topic for n in world.ledger.of(Note)] == ["interrupted"]
    assert len(world.ledger.of(Disconnect)) == 1, "the link was closed in good order"
    assert world.seconds < 2.5
    assert world.ledger.concluded is not None


def test_stopping_while_a_request_waits_in_vain(world: Any, kit: Any) -> None:
    world.behaviours[""] = lambda *_: (Outcome.NO_ANSWER, 0, 3600.0)
    world.on_start = lambda stop, _: asyncio.get_running_loop().call_later(1.0, stop.set)
    result = world.audit(one_device(kit, full_profile(kit)))
    assert not result.complete
    assert world.seconds == pytest.approx(1.0 + Pacing().grace_s, abs=0.1)
    assert len(world.ledger.of(Disconnect)) == 1


@pytest.mark.parametrize("fail_at", [0, 1, 2, 4])
def test_a_ledger_that_fails_ends_the_run_at_once(world: Any, kit: Any, fail_at: int) -> None:
    world.ledger.fail_at = fail_at
    devices = [{"tag": f"Q{i}", "address": {"host": f"10.0.0.{i}"}} for i in range(1, 6)]
    result = world.audit(kit.lineup_of(devices, [full_profile(kit)]))
    assert not result.complete
    assert "the disk is full" in result.why_incomplete
    assert len(world.ledger.kept) == fail_at
    assert world.seconds < 1.0
    assert not any(link.is_open for link in world.links.values())
    assert world.watcher.result is not None
    assert sum(len(link.asked) for link in world.links.values()) <= 2 * len(devices)


def test_an_observer_that_fails_is_dropped_once(world: Any, kit: Any) -> None:
    class Broken(type(world.watcher)):  # type: ignore[misc]
        def exchange(self, exchange: object) -> None:
            raise ZeroDivisionError("my own fault")

    broken = Broken()
    world.observers = [broken, world.watcher]
    result = world.audit(one_device(kit, full_profile(kit)))
    assert result.complete
    assert len(world.watcher.exchanges) == 10
    assert [n.topic for n in world.ledger.of(Note)] == ["observer"]
    assert len(world.watcher.notes) == 1
    assert broken.result is None


def test_a_bug_in_the_judge_is_not_swallowed(world: Any, kit: Any) -> None:
    def judge_device(*_: object) -> object:
        raise LookupError("a bug of ours")

    world.judge.judge_device = judge_device
    with pytest.raises(LookupError, match="a bug of ours"):
        world.audit(one_device(kit, full_profile(kit)))
    assert not world.links["10.0.0.1:502"].is_open


def test_a_reference_among_the_devices_is_read_before_and_after(world: Any, kit: Any) -> None:
    devices = [
        {"tag": "Q1", "address": {"host": "10.0.0.1"}},
        {"tag": "MC", "address": {"host": "10.0.0.2"}},
    ]
    lineup = kit.lineup_of(devices, [full_profile(kit)], clock={"reference": "tag:MC"})
    world.audit(lineup)
    asked = world.asked("10.0.0.2:502")
    assert asked[0].purpose is asked[-1].purpose is Purpose.REFERENCE
    reference = [e for _, e in world.judge.run.reference_exchanges]
    assert len(reference) > 2
    others = [e for e in world.watcher.exchanges if e.tag == "Q1"]
    assert reference[-1].sent_ns >= others[-1].received_ns
    assert not [e for _, e in world.judge.seen["MC"].exchanges if e.purpose is Purpose.REFERENCE]
    assert len(world.links["10.0.0.2:502"].connects) == 1


def test_a_reference_outside_the_scope_is_only_read(world: Any, kit: Any) -> None:
    devices = [
        {"tag": "Q1", "address": {"host": "10.0.0.1"}},
        {"tag": "MC", "address": {"host": "10.0.0.2"}},
    ]
    lineup = kit.lineup_of(devices, [full_profile(kit)], clock={"reference": "tag:MC"})
    world.audit(lineup, tags=("Q1",), left_out=("MC",))
    assert set(purposes(world, "10.0.0.2:502")) == {"reference"}
    assert set(world.judge.seen) == {"Q1"}


def test_a_reference_that_is_silent_is_not_asked_again(world: Any, kit: Any) -> None:
    world.behaviours["10.0.0.2:502"] = lambda *_: kit.SILENT
    devices = [
        {"tag": "Q1", "address": {"host": "10.0.0.1"}},
        {"tag": "MC", "address": {"host": "10.0.0.2"}},
    ]
    lineup = kit.lineup_of(devices, [full_profile(kit)], clock={"reference": "tag:MC"})
    world.audit(lineup, tags=("Q1",), left_out=("MC",))
    assert purposes(world, "10.0.0.2:502") == ["reference"] * 3


def test_the_wall_clock_stepped_in_the_middle(world: Any, kit: Any) -> None:
    def step(stop: asyncio.Event, clock: Any) -> None:
        def jump() -> None:
            clock.wall_offset_ns += 7_000_000_000

        asyncio.get_running_loop().call_later(1.2, jump)

    world.on_start = step
    world.audit(one_device(kit, full_profile(kit)))
    notes = world.ledger.of(Note)
    assert [n.topic for n in notes] == ["clock step"]
    assert "+7.000 s" in notes[0].text
    assert len(world.ledger.of(Anchor)) == 3


def test_connects_are_counted_in_the_record(world: Any, kit: Any) -> None:
    world.audit(one_device(kit, full_profile(kit)))
    assert len(world.ledger.of(Connect)) == len(world.links["10.0.0.1:502"].connects) == 1


def test_a_cancelled_run_leaves_no_link_open(world: Any, kit: Any) -> None:
    """Found by the simulation: the link that is kept for the reference's second reading stayed open."""
    devices = [
        {"tag": "Q1", "address": {"host": "10.0.0.1"}},
        {"tag": "MC", "address": {"host": "10.0.0.2"}},
    ]
    world.behaviours["10.0.0.1:502"] = lambda *_: kit.SILENT
    cancel_s = 0.5  # the reference has been read, Q1 keeps silent

    def cancel_later(*_: object) -> None:
        task = asyncio.current_task()
        assert task is not None
        asyncio.get_running_loop().call_later(cancel_s, task.cancel)

    world.on_start = cancel_later
    lineup = kit.lineup_of(devices, [full_profile(kit)], clock={"reference": "tag:MC"})
    with pytest.raises(asyncio.CancelledError):
        world.audit(lineup)
    assert world.links["10.0.0.2:502"].answered
    assert not [link for link in world.links.values() if link.is_open]
