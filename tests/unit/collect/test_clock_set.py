"""The aimed write in jumping time: what a device that takes it half-way shows, what goes over the link."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from probe.collect.clock_set import Writer
from probe.collect.clock_setting import Setting
from probe.collect.device_plan import ethernet_price, plan_device
from probe.collect.inputs import open_library
from probe.judge.limit import Interval
from probe.judge.reference import Candidate, Tie, choose
from probe.model.clock_decoder import ClockDecoder
from probe.model.device_map import Target
from probe.model.evidence import Connect, ConnectOutcome, Disconnect, Exchange, Framing, Outcome, Purpose
from probe.model.write_pdu import write_span

S = 1_000_000_000
START_WALL_NS = 1_782_907_200_250_000_000
AHEAD_S = 12.5  # the reference is that far ahead of this computer's clock


class Device:
    """A link with a device behind it that takes what it is asked after half the round trip."""

    is_open = True

    def __init__(self, clock: Any, setting: Setting, trip_s: float, fails: dict[int, Outcome]) -> None:
        self.clock, self.setting, self.trip_s, self.fails = clock, setting, trip_s, fails
        self.name = "127.0.0.1:502"
        self.registers: dict[int, int] = {}
        self.taken: list[tuple[int, float]] = []  # (reference's time then, what was set), Unix seconds
        self.opens = ConnectOutcome.OPEN
        self.asked: list[Any] = []

    def bind(self, target: Any, clock: Any, on_stray: Any, permit: Any) -> Device:
        self.permit = permit
        return self

    async def open(self, timeout_s: float) -> Connect:
        return Connect(self.name, self.clock.now_ns(), self.clock.now_ns(), self.opens, "", "")

    async def close(self) -> Disconnect:
        return Disconnect(self.name, self.clock.now_ns(), False, len(self.asked))

    async def exchange(self, request: Any, quirks: Any) -> Exchange:
        sent = self.clock.now_ns()
        self.asked.append(request)
        await asyncio.sleep(self.trip_s / 2)
        if request.purpose is Purpose.CLOCK_SET:
            self._take(request.pdu)
        await asyncio.sleep(self.trip_s / 2)
        outcome = self.fails.get(len(self.asked), Outcome.DATA)
        return Exchange(
            request.tag, request.purpose, Framing.MBAP, request.round, 1, sent, self.clock.now_ns(), outcome,
            0, request.pdu, b"",
        )  # fmt: skip

    def _take(self, pdu: bytes) -> None:
        _, start, data = write_span(pdu)
        rule = self.setting.write
        for i in range(len(data) // 2):
            self.registers[start + i] = int.from_bytes(data[2 * i : 2 * i + 2], "big")
        last = rule.latch.start if rule.latch else rule.start + rule.registers - 1
        if last in self.registers:
            raw = b"".join(self.registers[rule.start + i].to_bytes(2, "big") for i in range(rule.registers))
            decoder = rule.decoder
            assert isinstance(decoder, ClockDecoder)
            stamp = decoder.stamp(raw)
            assert stamp is not None
            now_s = (START_WALL_NS + self.clock.now_ns()) / S + AHEAD_S
            self.taken.append((now_s, stamp.wall_s + stamp.millisecond / 1000))


def set_clock(kit: Any, profile_name: str, trip_s: float, **changes: Any) -> tuple[Device, bool, list[Any]]:
    """Write one clock in jumping time; the device, whether anything was written, the evidence."""
    profile = open_library().get(profile_name)
    assert profile.clock is not None
    assert profile.clock.write is not None
    setting = Setting(
        tag="52-F1", rule=profile.clock, write=profile.clock.write, zone="UTC", shift=0, offset_words=""
    )
    known = Candidate(
        "ntp:a", True, at_ns=0, fixed=Interval(AHEAD_S - 0.001, AHEAD_S + 0.001), tie=Tie(START_WALL_NS)
    )
    kept: list[Any] = []

    async def work() -> tuple[Device, bool]:
        clock = kit.LoopClock(asyncio.get_running_loop())
        device = Device(clock, setting, trip_s, changes.get("fails", {}))
        device.opens = changes.get("opens", ConnectOutcome.OPEN)
        writer = Writer(
            setting=setting,
            target=Target("127.0.0.1", 502, 5, Framing.MBAP, None, ""),
            step=plan_device(profile, 0, ethernet_price(profile.limits)).clock[0],
            limits=profile.limits,
            quirks=profile.quirks,
            reference=choose([known]),
            tie=Tie(START_WALL_NS),
            clock=clock,
            keep=lambda evidence: kept.append(evidence) or len(kept),
            make_link=device.bind,
        )
        return device, await writer.write()

    with asyncio.Runner(loop_factory=kit.JumpingLoop) as runner:
        device, written = runner.run(work())
    return device, written, kept


@pytest.mark.parametrize("trip_s", [0.004, 0.03, 0.25, 0.9])
@pytest.mark.parametrize("profile", ["trip-unit-second", "trip-unit-first", "meter-integer", "meter-float"])
def test_the_device_shows_the_references_time_when_it_takes_the_write(kit, profile, trip_s):
    """Whole seconds or milliseconds, at once or register by register with a latch: right to a millisecond."""
    device, written, _ = set_clock(kit, profile, trip_s)
    assert written
    (taken,) = device.taken
    reference_s, shown_s = taken
    assert shown_s == pytest.approx(reference_s, abs=0.0011)


def test_reads_go_first_and_last_and_everything_is_kept(kit):
    device, _, kept = set_clock(kit, "trip-unit-second", 0.01)
    assert [r.purpose for r in device.asked] == [
        Purpose.CLOCK,
        Purpose.CLOCK,
        Purpose.CLOCK_SET,
        Purpose.CLOCK,
    ]
    assert [type(one).__name__ for one in kept] == ["Connect", *["Exchange"] * 4, "Disconnect"]
    assert (device.permit.unit, device.permit.start, device.permit.end) == (5, 240, 244)


def test_one_attempt_only(kit):
    """A write without an answer may have been taken: it is not sent a second time."""
    device, written, _ = set_clock(kit, "trip-unit-second", 0.01, fails={3: Outcome.NO_ANSWER})
    assert written
    assert [r.purpose for r in device.asked].count(Purpose.CLOCK_SET) == 1


def test_nothing_is_written_to_a_device_that_cannot_be_read(kit):
    lost = {1: Outcome.NO_ANSWER, 2: Outcome.NO_ANSWER}
    device, written, _ = set_clock(kit, "trip-unit-second", 0.01, fails=lost)
    assert not written
    assert {r.purpose for r in device.asked} == {Purpose.CLOCK}


def test_nothing_is_written_without_a_connection(kit):
    device, written, kept = set_clock(kit, "trip-unit-second", 0.01, opens=ConnectOutcome.REFUSED)
    assert (written, device.asked, len(kept)) == (False, [], 1)


def test_a_register_that_is_refused_ends_it_before_the_latch(kit):
    device, written, _ = set_clock(kit, "trip-unit-first", 0.01, fails={5: Outcome.EXCEPTION})
    assert written
    assert device.taken == []
    assert len(device.asked) == 5
