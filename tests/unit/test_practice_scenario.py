"""Scenario files: what is read, and the words for what is wrong with one."""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.collect.inputs import open_library
from probe.judge.registry import BY_ID
from probe.model.errors import InputError
from probe.practice.fault import Fault
from probe.practice.faults import FAULTS
from probe.practice.lineup import check_scenario
from probe.practice.manual import fault_table, with_table
from probe.practice.roster import roster
from probe.practice.scenario import Scenario, bundled_scenario, load_scenario, small_scenario
from probe.practice.show import saturated

HEAD = "format: buswitness-scenario/1\ntitle: A day\n"


def read(text: str) -> Scenario:
    return load_scenario("day.yaml", (HEAD + text).encode())


def complaints(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(text)
    return [f"{p.place}: {p.what} | {p.remedy}" for p in caught.value.problems]


def test_a_whole_scenario() -> None:
    day = read("devices: [52-F3, MC-1]\nfaults:\n  - {kind: clock-slow, at: 52-F3, seconds: 5}\n")
    assert day.devices == ("52-F3", "GW-1", "MC-1")
    assert day.faults == (Fault(kind="clock-slow", at="52-F3", seconds=5.0, line=5, column=5),)


def test_all_devices_play_when_none_is_named() -> None:
    assert read("").devices == tuple(roster())


@pytest.mark.parametrize("name", ["healthy", "handover"])
def test_the_bundled_scenarios_load_and_mean_something(name: str) -> None:
    scenario = bundled_scenario(name)
    check_scenario(scenario, open_library())
    assert bool(scenario.faults) == (name == "handover")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("devcies: [52-F1]\n", ["day.yaml:3:1: devcies is not a field here | did you mean devices?"]),
        (
            "devices: [52-F99]\n",
            ["day.yaml:3:11: 52-F99 is no device of the practice lineup | did you mean 52-F9?"],
        ),
        (
            "faults:\n  - {kind: clok-slow, at: 52-F1}\n",
            ["day.yaml:4:12: clok-slow is no kind of fault | did you mean clock-slow?"],
        ),
        (
            "devices: [52-F1]\nfaults:\n  - {kind: dead, at: 52-F2}\n",
            ["day.yaml:5:22: 52-F2 does not play in this scenario | did you mean 52-F1?"],
        ),
        (
            "faults:\n  - {kind: swapped-addresses, at: 52-F1}\n  - {kind: dead, at: 52-F1, seconds: 3}\n",
            [
                "day.yaml:4:5: swapped-addresses needs partner | add partner: ...",
                "day.yaml:5:29: dead takes no seconds | remove the line",
            ],
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_place(text: str, expected: list[str]) -> None:
    assert complaints(text) == expected


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (Fault(kind="dead", at="52-F3"), "dead means nothing at 52-F3"),
        (Fault(kind="unit-dead", at="52-F1"), "unit-dead means nothing at 52-F1"),
        (Fault(kind="reversed-ct", at="SW-1"), "reversed-ct means nothing at SW-1"),
        (Fault(kind="clock-slow", at="UPS-1"), "clock-slow means nothing at UPS-1"),
        (Fault(kind="withdrawn", at="MTR-M1"), "withdrawn means nothing at MTR-M1"),
        (Fault(kind="on-battery", at="MC-1"), "on-battery means nothing at MC-1"),
        (Fault(kind="gateway-down", at="52-F1"), "gateway-down means nothing at 52-F1"),
        (Fault(kind="alarm", at="52-F1", text="alarm_overlaod"), "52-F1 has no alarm alarm_overlaod"),
        (Fault(kind="stuck-point", at="52-F1", point="hartbeat"), "52-F1 has no point hartbeat"),
        (Fault(kind="scale-off", at="UPS-1"), "scale-off means nothing at UPS-1"),
        (Fault(kind="scale-off", at="52-F1", text="volts"), "52-F1 has no quantity volts"),
        (Fault(kind="bus-down", at="52-F1", text="C"), "52-F1 has no bus C"),
        (
            Fault(kind="wrong-model", at="52-F3", text="A name that is far too long"),
            "model_name of 52-F3 cannot show A name that is far too long: 27 bytes do not fit 12",
        ),
        (
            Fault(kind="wrong-setting", at="52-F3", point="group_a_ltpu", number=1e6),
            "group_a_ltpu of 52-F3 cannot show 1000000.0: 1000000 does not fit the type",
        ),
    ],
)
def test_a_fault_that_would_do_nothing_is_refused(fault: Fault, expected: str) -> None:
    with pytest.raises(InputError) as caught:
        check_scenario(small_scenario([], [fault]), open_library())
    assert [problem.what for problem in caught.value.problems] == [expected]


def test_a_value_beyond_its_type_stops_at_the_end_of_it() -> None:
    point = open_library().get("trip-unit-first").by_name["current_a"]
    assert saturated(point, 1e9) == b"\xff\xfe"  # FFFF is the type's "no value"
    assert saturated(point, -1e9) == b"\x00\x00"
    with pytest.raises(ValueError, match="current_a cannot show text"):
        saturated(point, "text")


def test_the_table_holds_every_promised_kind() -> None:
    # The list of the issue that asked for the practice lineup, in our words.
    promised = """dead slow lossy wrong-unit swapped-addresses wrong-model old-firmware word-order scale-off
        frozen not-available reversed-ct swapped-phases clock-slow clock-zone clock-drift alarm withdrawn
        wrong-setting gateway-down socket-taken busy"""
    assert set(promised.split()) <= set(FAULTS)
    for name, kind in FAULTS.items():
        assert kind.name == name
        assert kind.does
        assert kind.sees.endswith(".")
        assert kind.at in roster()


def test_the_checks_that_faults_name_exist() -> None:
    named = {check for kind in FAULTS.values() for check in kind.checks}
    assert named <= set(BY_ID)


def test_the_manual_has_the_table() -> None:
    page = (Path(__file__).parents[2] / "docs" / "practice.md").read_text(encoding="utf-8")
    assert fault_table() in page, "run: python -m probe.practice.manual docs/practice.md"
    assert with_table(page) == page
