"""Clearing times from map and study: each function by its formula, the band of its type, the fastest."""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.collect.inputs import open_library, open_lineup
from probe.desk.curve_from_map import curves, studied_band
from probe.model.finding import Verdict
from probe.model.lineup import Lineup
from probe.model.protection import PHASE_FUNCTIONS
from probe.model.trip_band import NoBandError
from probe.practice.drawing import map_text
from probe.practice.protection import STUDY_NAME, study_text
from probe.practice.scenario import small_scenario
from probe.practice.stage import healthy_parts


@pytest.fixture(scope="module")
def lineup(tmp_path_factory: pytest.TempPathFactory) -> Lineup:
    """The practice lineup's main 1 and feeder 1 with their study; available fault current 42 kA."""
    folder: Path = tmp_path_factory.mktemp("study")
    parts = list(healthy_parts(small_scenario(["52-M1", "52-F1"]), open_library().get).values())
    places = {part.entry.tag: ("127.0.0.1", 1502 + n) for n, part in enumerate(parts)}
    (folder / "map.yaml").write_text(map_text(parts, places), encoding="utf-8")
    (folder / STUDY_NAME).write_text(study_text(parts), encoding="utf-8")
    return open_lineup(folder / "map.yaml")[0]


def test_each_breaker_has_its_time_with_the_steps_of_every_function(lineup: Lineup) -> None:
    made = {one.name: one for one in curves(lineup)}
    assert list(made) == ["52-M1", "52-F1"]
    working = made["52-F1"].working
    steps = [step.text for step in working.steps]
    # I squared t by hand: pickup 540 A, 6 s at 6 x pickup = 3240 A: 6 * (3240 / 42000)^2 = 0.0357 s
    assert any("t = 6 s * (3240 A / 42000 A)" in text and "0.0357061 s" in text for text in steps)
    assert working.verdict is Verdict.NOT_TESTED  # there is no limit to it
    band = studied_band(lineup, "52-F1", "normal", PHASE_FUNCTIONS)
    assert (working.result[0].low, working.result[0].high) == (band.least_s(42_000), band.most_s(42_000))
    assert working.result[0].value == min(element.most_s(42_000) for element in band.elements)


def test_the_feeder_clears_before_the_main(lineup: Lineup) -> None:
    main, feeder = (one.working.result[0] for one in curves(lineup))
    assert feeder.high < main.low


def test_a_breaker_without_a_study_has_no_band(lineup: Lineup) -> None:
    with pytest.raises(NoBandError, match="no settings for 52-F9"):
        studied_band(lineup, "52-F9", "normal", PHASE_FUNCTIONS)
