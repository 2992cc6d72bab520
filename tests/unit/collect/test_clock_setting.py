"""What would be written to a clock, and why it might better not be. Pure: nothing is sent.

Register values are computed here from the definitions of the encodings, apart from the codecs under test.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from probe.collect.clock_setting import Now, Setting, setting_of, why_not_set
from probe.collect.inputs import open_library
from probe.judge.clock_state import ClockState
from probe.judge.clock_track import Behaviour
from probe.judge.limit import Interval
from probe.judge.reference import Candidate, Reference, choose
from probe.model.finding import Finding, Verdict

#: 2026-07-01 12:00:00.250 UTC; in Denver it is 06:00:00.250 then (UTC-6 in summer).
NOON_MS = 1_782_907_200_250
S = 1_000_000_000


def setting(profile: str, zone: str = "UTC", shift: int = 0) -> Setting:
    rule = open_library().get(profile).clock
    assert rule is not None
    assert rule.write is not None
    return Setting(tag="52-F1", rule=rule, write=rule.write, zone=zone, shift=shift, offset_words="")


def test_the_instant_is_what_it_says() -> None:
    assert datetime.fromtimestamp(NOON_MS / 1000, UTC).isoformat() == "2026-07-01T12:00:00.250000+00:00"


def test_cp56_fields_at_once() -> None:
    """Year 26, month 7 / Wednesday 1st (3 << 5 | 1), hour 12 / minute 0, 250 ms; IEC 60870-5-4, 6.8."""
    (pdu,) = setting("trip-unit-second").requests(NOON_MS)
    assert pdu == bytes.fromhex("10 00F0 0004 08") + bytes.fromhex("001A 0761 0C00 00FA")


def test_seconds_since_2000_and_since_1970() -> None:
    """Seconds since 2000: 1782907200 - 946684800; both cut down to whole seconds by the chosen instant."""
    (pdu,) = setting("meter-integer").requests(NOON_MS - 250)
    high, low = divmod(1_782_907_200 - 946_684_800, 65_536)  # the profile's order is CDAB: low word first
    assert pdu[6:] == low.to_bytes(2, "big") + high.to_bytes(2, "big")
    (pdu,) = setting("meter-float").requests(NOON_MS - 250)
    assert pdu[6:] == (1_782_907_200).to_bytes(4, "big")
    assert pdu[1:3] == (900).to_bytes(2, "big")  # one_based 901: its own address, in holding registers


def test_local_time_register_by_register_and_the_latch_last() -> None:
    pdus = setting("trip-unit-first", "America/Denver").requests(NOON_MS)
    values = [(int.from_bytes(p[1:3], "big"), int.from_bytes(p[3:], "big")) for p in pdus]
    assert {p[0] for p in pdus} == {6}
    assert values == [(220, 2026), (221, 7), (222, 1), (223, 6), (224, 0), (225, 0), (226, 0x5AA5)]


def test_the_devices_shift_moves_all_of_it() -> None:
    pdus = setting("trip-unit-first", "America/Denver", shift=3).requests(NOON_MS)
    assert [int.from_bytes(p[1:3], "big") for p in pdus] == list(range(223, 230))


def test_steps_are_those_of_the_registers() -> None:
    assert setting("trip-unit-second").step_ms == 1
    assert setting("meter-integer").step_ms == 1000


def test_words_name_registers_device_and_zone() -> None:
    words = setting("trip-unit-first", "America/Denver").words(NOON_MS / 1000, "52-F3 (10.0.0.1:502, unit 3)")
    for part in (
        "220 to 225",
        "5AA5 to register 226",
        "unit 3",
        "function 6",
        "America/Denver",
        "12:00:00 UTC",
    ):
        assert part in words


# --- refusals --------------------------------------------------------------------------------------------

NOW = Now(5 * S, NOON_MS / 1000)


def reference(half_s: float = 0.005, name: str = "ntp:a", **changes: Any) -> Reference:
    one = Candidate(name, True, "", (1,), at_ns=5 * S, fixed=Interval(-half_s, half_s))
    return choose([one._replace(**changes)])


def state(middle_s: float = -43.0, half_s: float = 0.01, **changes: Any) -> ClockState:
    made = ClockState(
        tag="52-F1",
        resolution_s=1.0,
        tolerance_s=2.0,
        behaviour=Behaviour.STEADY,
        readings=5,
        offset_s=Interval(middle_s - half_s, middle_s + half_s),
        shortest_ns=8_000_000,
    )
    return replace(made, **changes)


def why(
    clock: ClockState | None = None,
    judged_by: Reference | None = None,
    findings: tuple[Finding, ...] = (),
    now: Now = NOW,
    profile: str = "trip-unit-second",
    zone: str = "UTC",
) -> str:
    return why_not_set(
        setting(profile, zone), state() if clock is None else clock, findings, judged_by or reference(), now
    )


def test_a_clock_that_is_off_may_be_set() -> None:
    assert why() == ""


@pytest.mark.parametrize("check", ["identity.serial", "identity.model", "proof.point"])
def test_not_where_it_may_be_another_device(check: str) -> None:
    wrong, right = (
        Finding(check=check, subject="52-F1", verdict=verdict, title="Serial number")
        for verdict in (Verdict.FAIL, Verdict.PASS)
    )
    assert "not sure that this is the right device" in why(findings=(right, wrong))
    assert why(findings=(right,)) == ""


def test_not_by_a_reference_that_cannot_be_used() -> None:
    none = choose([Candidate("ntp:a", False, "stratum 16")])
    assert "stratum 16" in why(judged_by=none)
    assert "nothing tells how right" in why(judged_by=reference(name="laptop", stated=False))


def test_not_the_reference_itself() -> None:
    assert "one of the references itself" in why(judged_by=reference(name="tag:52-F1"))


def test_not_when_the_reference_is_worse_than_what_it_would_mend() -> None:
    """The clock is off by at most 60 ms; a reference known to 100 ms cannot make it better."""
    near = state(middle_s=-0.05, half_s=0.01)
    assert "worse than what it would mend" in why(near, reference(half_s=0.1))
    assert why(near, reference(half_s=0.02)) == ""


def test_half_the_round_trip_counts_as_well() -> None:
    near = state(middle_s=-0.05, half_s=0.01, shortest_ns=200_000_000)
    assert "worse than what it would mend" in why(near, reference(half_s=0.001))


@pytest.mark.parametrize(
    ("behaviour", "words"),
    [
        (Behaviour.CACHED, "memory"),
        (Behaviour.JUMPED, "something else sets it"),
        (Behaviour.UNSETTLED, "contradict"),
    ],
)
def test_not_a_clock_that_cannot_be_measured(behaviour: Behaviour, words: str) -> None:
    assert words in why(state(behaviour=behaviour))


def test_a_clock_without_a_date_or_that_stands_still_may_be_set() -> None:
    assert why(state(behaviour=Behaviour.STOPPED, offset_s=None)) == ""
    assert why(state(behaviour=Behaviour.UNSETTLED, readings=0, offset_s=None)) == ""
    assert "could not be read" in why_not_set(setting("trip-unit-second"), None, (), reference(), NOW)


def test_not_in_the_hour_that_comes_twice() -> None:
    """Denver sets its clocks back on 2026-11-01 at 08:00 UTC: 01:30 local comes at 07:30 and at 08:30 UTC."""
    for hour, twice in ((6.5, False), (7.5, True), (8.5, True), (9.5, False)):
        at = datetime(2026, 11, 1, tzinfo=UTC).timestamp() + hour * 3600
        found = why(now=Now(5 * S, at), profile="trip-unit-first", zone="America/Denver")
        assert ("twice today" in found) == twice, hour
    assert why(now=Now(5 * S, at - 3600), profile="trip-unit-second", zone="America/Denver") == ""


def test_not_by_a_zone_that_is_unknown_here() -> None:
    assert "unknown here" in why(profile="trip-unit-first", zone="Tarn/Hollow")


def test_only_profiles_that_define_the_write_have_a_setting(kit: Any) -> None:
    lineup = kit.lineup_of(
        [{"tag": "Q1", "address": {"host": "10.0.0.1"}}], [kit.profile_of(kit.point("a", 0))]
    )
    assert setting_of(lineup, "Q1") is None
