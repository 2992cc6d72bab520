"""The clock of a device as its checks see it: which readings count, and that it is worked out once."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from probe.judge import clock_view
from probe.judge.clock_view import clock_of, clock_readings, clock_terms, every_reading, set_at_ns
from probe.model.evidence import Purpose
from probe.model.profile import ClockRule
from probe.model.reading import Quality, Reading

RULE = ClockRule(point="clock", zone="utc", resolution_s=1.0)


def reading(sent_ns: int) -> Reading:
    return Reading("F1", "clock", 0.0, Quality.GOOD, b"", sent_ns, sent_ns + 5, 1, 0)


def write(received_ns: int, purpose: Purpose = Purpose.CLOCK_SET) -> tuple[int, Any]:
    return 1, SimpleNamespace(purpose=purpose, received_ns=received_ns)


def context(*sent_ns: int, writes: tuple[tuple[int, Any], ...] = (), rule: ClockRule | None = RULE) -> Any:
    made = {"clock": tuple(reading(one) for one in sent_ns)}
    clock = SimpleNamespace(zone="Europe/Dublin", tolerance_s=1.5, drift_ppm=77.0)
    profile = SimpleNamespace(clock=rule)
    lineup = SimpleNamespace(
        map=SimpleNamespace(clock=clock, by_tag={"F1": "the device"}),
        profile_of={"the device": profile}.__getitem__,
    )
    return SimpleNamespace(
        profile=profile, readings=made.__getitem__, sent=writes, memory={}, lineup=lineup, tag="F1", run=None
    )


def sent(readings: tuple[Reading, ...]) -> list[int]:
    return [one.sent_ns for one in readings]


def test_readings_stand_in_the_order_of_asking() -> None:
    assert sent(every_reading(context(30, 10, 20))) == [10, 20, 30]
    assert sent(clock_readings(context(30, 10, 20))) == [10, 20, 30]


def test_a_clock_that_was_set_is_judged_by_what_it_shows_since() -> None:
    """As left: asked at or after the end of the last write. As found: all of them."""
    made = context(10, 20, 30, 40, writes=(write(15), write(30), write(99, Purpose.CLOCK)))
    assert set_at_ns(made) == 30
    assert sent(clock_readings(made)) == [30, 40]
    assert sent(every_reading(made)) == [10, 20, 30, 40]
    assert set_at_ns(context(10)) == 0


def test_a_device_without_a_clock_has_no_readings_and_no_state() -> None:
    bare = context(10, rule=None)
    assert (clock_readings(bare), every_reading(bare), clock_of(bare)) == ((), (), None)


def test_what_it_is_judged_by_comes_from_profile_and_map() -> None:
    terms = clock_terms(context().lineup, "F1")
    assert (terms.tag, terms.zone, terms.tolerance_s, terms.drift_bound_ppm) == (
        "F1",
        "Europe/Dublin",
        1.5,
        77.0,
    )
    assert terms.profile.clock is RULE


def test_a_state_is_worked_out_once_for_each_device(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[list[int]] = []

    def state(terms: Any, readings: tuple[Reading, ...], _: Any) -> str:
        asked.append(sent(readings))
        return f"state of {terms.tag}"

    monkeypatch.setattr(clock_view, "clock_state", state)
    made = context(10, 20, writes=(write(15),))
    assert [clock_of(made), clock_of(made)] == ["state of F1", "state of F1"]
    assert asked == [[20]]


def test_a_clock_that_was_never_read_has_no_state(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock_view, "clock_state", lambda *_: pytest.fail("there is nothing to work out"))
    made = context()
    assert clock_of(made) is None
    assert clock_of(made) is None
