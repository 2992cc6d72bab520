"""Clock readings in jumping time: aimed, beside all other requests, as many as are needed."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest

from probe.judge.clock_state import ClockState
from probe.judge.clock_track import Behaviour
from probe.model.clock_codec import make_clock
from probe.model.evidence import Outcome, Purpose
from probe.model.profile import Area, ClockRule, Freshness, Limits, Point
from probe.practice.clockwork import DeviceClock

LINK = "10.0.0.1:502"
SECOND = 1_000_000_000
EPOCH_S = 1_800_000_000  # wall time at the start of the world


class Ears:
    """An observer that hears of clocks alone."""

    def __init__(self) -> None:
        self.states: list[ClockState] = []

    def clock(self, state: ClockState) -> None:
        self.states.append(state)

    def _nothing(self, *_: object, **__: object) -> None:
        """Each by its name: from Python 3.12 on, ``__getattr__`` makes nobody an observer."""

    run_started = phase = exchange = judged = note = run_finished = _nothing


def profile(kit: Any, *, blocks: int = 1, encoding: str = "unix_s", **clock: Any) -> Any:
    """A type with a clock at 500 and so many blocks of other points."""
    decoder = make_clock(encoding)
    shown = Point(
        name="clock", title="Clock", area=Area.HOLDING, start=500, count=decoder.registers, type="clock",
        order="", decoder=decoder,
    )  # fmt: skip
    rule = ClockRule(point="clock", zone="utc", resolution_s=clock.pop("resolution_s", decoder.resolution_s))
    points = [kit.point(f"p{i}", 600 + 200 * i) for i in range(blocks)]
    return kit.profile_of(
        shown, *points, clock=rule, freshness=Freshness(points=("p0",), after_s=1.5), limits=Limits(**clock)
    )


def shows(
    device: DeviceClock, encoding: str = "unix_s", step_s: float = 1.0
) -> Callable[[Any, int], bytes | None]:
    """The registers of a clock that stands so against the world's wall clock."""
    decoder = make_clock(encoding)

    def contents(request: Any, at_ns: int) -> bytes | None:
        if request.purpose is not Purpose.CLOCK:
            return None
        shown = device.shows(EPOCH_S + at_ns / SECOND, EPOCH_S)
        return decoder.encode(shown // step_s * step_s)

    return contents


@pytest.fixture
def ears(world: Any) -> Ears:
    heard = Ears()
    world.observers.append(heard)
    return heard


def run(world: Any, kit: Any, kind: Any, **scope: Any) -> Any:
    """An audit of one device; the requests for its clock with their times."""
    clock = scope.pop("clock", {})
    world.audit(kit.lineup_of([{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [kind], clock=clock), **scope)
    return [(at, r) for at, r in world.links[LINK].asked if r.purpose is Purpose.CLOCK]


def test_a_clock_that_is_right_is_read_until_it_is_certain_and_seen_running(
    world: Any, kit: Any, ears: Ears
) -> None:
    world.contents[LINK] = shows(DeviceClock(offset_s=0.3))
    clock = run(world, kit, profile(kit))
    assert len(clock) == 2
    assert ears.states[-1].is_certain
    assert ears.states[-1].seen_running
    assert [state.readings for state in ears.states] == [*range(1, len(clock) + 1)]
    assert world.seconds < 3.5


@pytest.mark.parametrize("offset_s", [-7.77, -0.4, 0.0, 0.25, 3.999, 3_600.5])
def test_the_interval_holds_the_truth_and_closes(world: Any, kit: Any, ears: Ears, offset_s: float) -> None:
    world.behaviours[LINK] = lambda *_: (Outcome.DATA, 0, 0.012)
    world.contents[LINK] = shows(DeviceClock(offset_s=offset_s, drift_ppm=50))
    clock = run(world, kit, profile(kit), clocks_only=True, fine=True)
    found = ears.states[-1]
    truth = offset_s + 50e-6 * found.at_ns / SECOND
    assert found.offset_s is not None
    assert found.offset_s.low <= truth <= found.offset_s.high
    assert found.offset_s.half_width < 0.02
    assert len(clock) <= 16
    assert world.seconds < 17


def test_other_requests_go_on_between_the_readings(world: Any, kit: Any, ears: Ears) -> None:
    """Blocks of 60 ms each are polled all the time; the aimed instants are met to a few milliseconds."""
    world.behaviours[LINK] = lambda r, _: (Outcome.DATA, 0, 0.004 if r.purpose is Purpose.CLOCK else 0.06)
    world.contents[LINK] = shows(DeviceClock(offset_s=0.2))
    kind = profile(kit, blocks=6)
    clock = run(world, kit, kind, dwell_s=12.0, poll_pause_s=0.05, fine=True)
    polls = [at for at, r in world.links[LINK].asked if r.purpose is Purpose.POLL]
    assert len(clock) >= 12
    assert clock[11][0] < 11.5 * SECOND, "no second was lost because an instant was missed"
    assert ears.states[11].own_s.half_width < 0.012, "no poll was in flight when a reading was due"
    gaps = [(b - a) / SECOND for a, b in pairwise(polls)]
    assert max(gaps) < 0.3, "waiting for a clock never held the polls"


def test_twenty_clocks_behind_one_gateway_share_it(world: Any, kit: Any, ears: Ears) -> None:
    """All clocks step at the same instant: each is still read well, none starves, in bounded time."""
    kind = profile(kit)
    gate = kit.profile_of(kit.point("up", 0), name="gate")
    devices = [{"tag": "GW", "profile": "gate", "address": {"host": "10.0.0.1"}}]
    devices += [{"tag": f"U{n}", "address": {"via": "GW", "unit": n}} for n in range(1, 21)]
    world.behaviours[LINK] = lambda r, _: (Outcome.DATA, 0, 0.05)
    world.contents[LINK] = shows(DeviceClock(offset_s=0.2))
    world.audit(kit.lineup_of(devices, [kind, gate]))
    last = {state.tag: state for state in ears.states}
    assert len(last) == 20
    assert all(state.is_certain for state in last.values())
    assert world.seconds < 16


@pytest.mark.parametrize("code", [1, 2, 3])
def test_a_clock_that_is_refused_is_asked_once_and_the_rest_goes_on(world: Any, kit: Any, code: int) -> None:
    world.behaviours[LINK] = lambda r, _: kit.exception(code) if r.purpose is Purpose.CLOCK else kit.DATA
    clock = run(world, kit, profile(kit, blocks=2))
    assert len(clock) == 1
    assert any(r.purpose is Purpose.FRESHNESS for r in world.asked(LINK))


def test_a_clock_that_dies_half_way_keeps_what_was_read(world: Any, kit: Any, ears: Ears) -> None:
    asked = [0]

    def behave(request: Any, _: Any) -> Any:
        asked[0] += request.purpose is Purpose.CLOCK
        return kit.SILENT if request.purpose is Purpose.CLOCK and asked[0] > 2 else kit.DATA

    world.behaviours[LINK] = behave
    world.contents[LINK] = shows(DeviceClock(offset_s=2.4))  # near the tolerance: not certain at once
    clock = run(world, kit, profile(kit, retries=2))
    assert [r.attempt for _, r in clock] == [1, 1, 1, 2, 3]
    assert ears.states[-1].readings == 2


def test_a_busy_device_is_waited_for(world: Any, kit: Any, ears: Ears) -> None:
    turns = [0]

    def behave(request: Any, _: Any) -> Any:
        turns[0] += request.purpose is Purpose.CLOCK
        return kit.exception(6) if request.purpose is Purpose.CLOCK and turns[0] == 2 else kit.DATA

    world.behaviours[LINK] = behave
    world.contents[LINK] = shows(DeviceClock())
    run(world, kit, profile(kit))
    assert ears.states[-1].is_certain


def test_a_stopped_clock_is_watched_for_some_seconds(world: Any, kit: Any, ears: Ears) -> None:
    world.contents[LINK] = shows(DeviceClock(stopped=True))
    run(world, kit, profile(kit))
    assert ears.states[-1].behaviour is Behaviour.STOPPED
    assert ears.states[-1].watched_s >= 3.0


def test_a_clock_of_minutes_is_read_twice_unless_there_is_patience(world: Any, kit: Any, ears: Ears) -> None:
    world.contents[LINK] = shows(DeviceClock(offset_s=11.0), step_s=60.0)
    assert len(run(world, kit, profile(kit, resolution_s=60.0))) == 2
    assert world.seconds < 4


def test_patience_measures_a_clock_of_minutes(world: Any, kit: Any, ears: Ears) -> None:
    world.contents[LINK] = shows(DeviceClock(offset_s=11.0), step_s=60.0)
    run(world, kit, profile(kit, resolution_s=60.0), clocks_only=True, patient=True)
    found = ears.states[-1]
    assert found.is_certain
    assert found.offset_s.low <= 11.0 <= found.offset_s.high
    assert found.offset_s.half_width < 5
    assert 60 < world.seconds < 12 * 60


def test_dwell_tells_the_drift_with_bounds(world: Any, kit: Any, ears: Ears) -> None:
    world.behaviours[LINK] = lambda *_: (Outcome.DATA, 0, 0.008)
    world.contents[LINK] = shows(DeviceClock(offset_s=0.6, drift_ppm=-120.0))
    run(world, kit, profile(kit), clocks_only=True, fine=True, dwell_s=600.0)
    found = ears.states[-1]
    assert found.drift_ppm is not None
    assert found.drift_ppm.low <= -120 <= found.drift_ppm.high
    assert found.drift_ppm.half_width < 40
    assert found.leaves_s is not None
    # from +0.53 down to -2 s at 120 ppm: about 21,000 s
    assert found.leaves_s.low < 21_000 < found.leaves_s.high
    assert 585 < world.seconds < 640


def test_a_clock_run_asks_identity_proof_and_clock_alone(world: Any, kit: Any) -> None:
    world.contents[LINK] = shows(DeviceClock())
    run(world, kit, profile(kit, blocks=3), clocks_only=True)
    assert {r.purpose for r in world.asked(LINK)} == {Purpose.CLOCK}


def test_a_fine_clock_needs_no_waiting(world: Any, kit: Any, ears: Ears) -> None:
    world.contents[LINK] = shows(DeviceClock(offset_s=0.1234), "unix_ms_64", 0.001)
    clock = run(world, kit, profile(kit, encoding="unix_ms_64"), clocks_only=True, fine=True)
    assert ears.states[-1].offset_s.low <= 0.1234 <= ears.states[-1].offset_s.high
    assert ears.states[-1].offset_s.half_width < 0.005
    assert len(clock) <= 16
    assert world.seconds < 2
