"""Which devices a run tests: every form of --only and --skip, and what matches nothing."""

from __future__ import annotations

import pytest

from probe.cli.selection import choose
from probe.model.device_map import DeviceMap
from probe.model.errors import InputError

GEAR = (
    ("52-F1", "trip-unit", "2"),
    ("52-F10", "trip-unit", "3"),
    ("PM-1", "meter", "2"),
    ("GW-1", "gateway", "Main A"),
    ("meter", "switch", "3"),  # a tag that is also the name of a kind
)


def gear_map(gear: tuple[tuple[str, str, str], ...] = GEAR) -> DeviceMap:
    """A map of the gear on one invented host."""
    devices = [
        {"tag": tag, "kind": kind, "profile": "p", "section": section, "address": {"host": "192.0.2.1"}}
        for tag, kind, section in gear
    ]
    return DeviceMap.model_validate(
        {
            "format": "buswitness-map/1",
            "site": "Tarn Hollow Water Works",
            "lineup": "MSB-1",
            "system": {"voltage_v": 480, "frequency_hz": 60},
            "devices": devices,
        }
    )


@pytest.mark.parametrize(
    ("only", "skip", "tags"),
    [
        ([], [], ["52-F1", "52-F10", "PM-1", "GW-1", "meter"]),
        (["52-F1"], [], ["52-F1"]),
        (["52-F*"], [], ["52-F1", "52-F10"]),
        (["52-f?"], [], ["52-F1"]),
        (["kind:meter"], [], ["PM-1"]),
        (["tag:meter"], [], ["meter"]),
        (["meter"], [], ["PM-1", "meter"]),
        (["section:2", "GW-1"], [], ["52-F1", "PM-1", "GW-1"]),
        (["main a"], [], ["GW-1"]),
        ([], ["kind:trip-unit", "section:3"], ["PM-1", "GW-1"]),
        (["section:2"], ["PM-1"], ["52-F1"]),
        (["PM-1", "52-F1"], [], ["52-F1", "PM-1"]),  # the map's order, not the user's
    ],
)
def test_choose(only: list[str], skip: list[str], tags: list[str]) -> None:
    chosen, left_out = choose(gear_map(), only, skip)
    assert list(chosen) == tags
    assert set(chosen) | set(left_out) == {tag for tag, _, _ in GEAR}
    assert not set(chosen) & set(left_out)


@pytest.mark.parametrize(
    ("only", "skip", "found", "remedy"),
    [
        (["52-F11"], [], "52-F11", "nearest: 52-F1, 52-F10"),
        ([], ["kind:metre"], "kind:metre", "nearest: meter"),
        (["section:Mian A"], [], "section:Mian A", "nearest: Main A"),
        (["zzzz"], [], "zzzz", "see the tags, kinds and sections in the map"),
        (["kind:"], [], "kind:", "see the tags, kinds and sections in the map"),
    ],
)
def test_what_matches_nothing_is_an_error(only: list[str], skip: list[str], found: str, remedy: str) -> None:
    with pytest.raises(InputError) as caught:
        choose(gear_map(), only, skip)
    (problem,) = caught.value.problems
    assert (problem.found, problem.remedy) == (found, remedy)


def test_all_mistakes_are_told_at_once() -> None:
    with pytest.raises(InputError) as caught:
        choose(gear_map(), ["52-F99", "52-F1"], ["kind:metre"])
    assert [problem.file for problem in caught.value.problems] == ["--only", "--skip"]


def test_nothing_left_is_an_error() -> None:
    with pytest.raises(InputError, match="nothing is left to test"):
        choose(gear_map(), ["PM-1"], ["meter"])


def test_a_map_without_devices_is_an_error() -> None:
    with pytest.raises(InputError, match="the map has no devices"):
        choose(gear_map(()), [], [])
