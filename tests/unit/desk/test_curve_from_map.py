"""Clearing times from map and study: each function by its formula, the band of its type, the fastest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from probe.collect.inputs import open_library, open_lineup
from probe.desk.curve_from_map import curves, studied_band
from probe.desk.from_map import Kind
from probe.desk.working import Amount
from probe.model.finding import Verdict
from probe.model.lineup import Lineup
from probe.model.protection import PHASE_FUNCTIONS
from probe.model.trip_band import NoBandError
from probe.practice.drawing import map_text
from probe.practice.protection import STUDY_NAME, study_text
from probe.practice.scenario import small_scenario
from probe.practice.stage import healthy_parts

Edit = tuple[str, str]


def drawn(folder: Path, *, map_edits: Sequence[Edit] = (), study_edits: Sequence[Edit] = ()) -> Lineup:
    """The practice lineup's main 1 and feeder 1 with their study; available fault current 42 kA."""
    parts = list(healthy_parts(small_scenario(["52-M1", "52-F1"]), open_library().get).values())
    places = {part.entry.tag: ("127.0.0.1", 1502 + n) for n, part in enumerate(parts)}
    for name, text, edits in (
        ("map.yaml", map_text(parts, places), map_edits),
        (STUDY_NAME, study_text(parts), study_edits),
    ):
        edited = text
        for old, new in edits:
            assert old in edited, old
            edited = edited.replace(old, new)
        (folder / name).write_text(edited, encoding="utf-8")
    return open_lineup(folder / "map.yaml")[0]


@pytest.fixture(scope="module")
def lineup(tmp_path_factory: pytest.TempPathFactory) -> Lineup:
    return drawn(tmp_path_factory.mktemp("study"))


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


FLAT = "definite time: common practice, no source"
SQUARE = "I²t delay of low-voltage trip units: common practice, no source"
TYPE = "profile of the type"
#: By hand. Main: 12 s at 6 x 2250 A: 12 * (13500 / 42000)² = 1.2398 s; 18 cycles of 60 Hz are 0.3 s, give or
#: take 0.02 s by the type, and up to 0.05 s to clear: 0.28 to 0.37 s.
#: Feeder: 6 s at 6 x 540 A: 6 * (3240 / 42000)² = 0.035706 s; 6 cycles; at once, and up to 0.05 s to clear.
STEPS = {
    "52-M1": [
        ("Long-time: M = I / pickup = 42000 A / 2250 A = 18.6667", SQUARE),
        ("t = 12 s * (13500 A / 42000 A)² = 1.2398 s", SQUARE),
        ("Short-time: M = I / pickup = 42000 A / 9000 A = 4.66667", FLAT),
        ("t = 0.3 s at every current above the pickup", FLAT),
        ("the fastest decides, with tolerances and clearing: between 0.28 and 0.37 s", TYPE),
    ],
    "52-F1": [
        ("Long-time: M = I / pickup = 42000 A / 540 A = 77.7778", SQUARE),
        ("t = 6 s * (3240 A / 42000 A)² = 0.0357061 s", SQUARE),
        ("Short-time: M = I / pickup = 42000 A / 2700 A = 15.5556", FLAT),
        ("t = 0.1 s at every current above the pickup", FLAT),
        ("Instantaneous: M = I / pickup = 42000 A / 4800 A = 8.75", FLAT),
        ("t = 0 s at every current above the pickup", FLAT),
        ("the fastest decides, with tolerances and clearing: between 0 and 0.05 s", TYPE),
    ],
}


@pytest.mark.parametrize("tag", STEPS)
def test_the_times_can_be_followed_line_by_line(lineup: Lineup, tag: str) -> None:
    made = {one.name: one for one in curves(lineup)}[tag]
    assert (made.kind, made.title) == (Kind.CURVE, f"{tag}: trip time at 42 kA")
    *told, last = [(text, step.source) for step in made.working.steps for text in step.text.split("; ")]
    assert told == STEPS[tag]
    assert last[0].startswith("there is no limit to it here")
    given = dict(made.working.inputs)
    assert given["fault_current"] == Amount(value=42_000, unit="A")
    assert str(given["study"]).startswith("TH-CS-014 revision C")
    assert given["group"] == "normal"
    assert made.working.result[0].name == "clearing time at 42 kA"
    assert made.working.result[0].unit == "s"


@pytest.mark.parametrize(
    ("fault_a", "steps"),
    [
        (500, "M is not above 1"),  # pickup 540 A, less 5 %: 513 A
        (550, "t = 6 s * (3240 A / 550 A)² = 208.217 s"),  # the pickup may be 10 % higher: 594 A
    ],
)
def test_a_current_at_which_it_may_never_trip_has_no_time(tmp_path: Path, fault_a: int, steps: str) -> None:
    low = f"    description: Raw water pump 1\n    fault_current_ka: {fault_a / 1000}\n"
    edits = [("    description: Raw water pump 1\n", low)]
    main, feeder = curves(drawn(tmp_path, map_edits=edits))
    assert main.title.endswith("42 kA")
    assert feeder.title == f"52-F1: trip time at {fault_a / 1000:g} kA", "its own comes before the lineup's"
    assert steps in feeder.working.steps[0].text
    assert not feeder.working.result[0].exists
    assert feeder.working.steps[-2].text.endswith("perhaps never")


def test_without_a_current_or_studied_settings_there_is_no_curve(tmp_path: Path) -> None:
    assert curves(drawn(tmp_path, map_edits=[(", fault_current_ka: 42", "")])) == ()
    assert curves(drawn(tmp_path, map_edits=[("study: study.yaml\n", "")])) == ()
    text = study_text(list(healthy_parts(small_scenario(["52-M1", "52-F1"]), open_library().get).values()))
    feeder = text[text.index("  - tag: 52-F1") :]
    (only,) = curves(drawn(tmp_path, study_edits=[(feeder, "")]))
    assert only.name == "52-M1"


def test_a_type_that_does_not_say_how_it_trips_has_no_band_and_says_so(lineup: Lineup) -> None:
    bare = {name: replace(profile, settings=None) for name, profile in lineup.profiles.items()}
    working = curves(replace(lineup, profiles=bare))[0].working
    assert working.result == ()
    assert working.verdict is Verdict.NOT_TESTED
    assert working.steps[0].text == (
        "no band can be made: the profile of 52-M1 does not say how its normal group trips"
    )
    assert dict(working.inputs)["group"] == "normal"
    assert "not tested at the breaker" in working.caution


def test_a_group_that_the_type_has_not_has_no_band(lineup: Lineup) -> None:
    with pytest.raises(NoBandError, match="how its storm group trips"):
        studied_band(lineup, "52-F1", "storm", PHASE_FUNCTIONS)


def test_the_type_says_where_a_delay_counts_if_the_study_does_not(tmp_path: Path) -> None:
    """Short-time I²t of the feeder, by its type at 10 times the long-time pickup of 540 A."""
    edits = [
        ("short_time: {pickup: 5 x pickup, delay: 6 cycles, curve: flat}",
         "short_time: {pickup: 5 x pickup, delay: 6 cycles, curve: i2t}"),
    ]  # fmt: skip
    band = studied_band(drawn(tmp_path, study_edits=edits), "52-F1", "normal", PHASE_FUNCTIONS)
    short = next(one for one in band.elements if one.function == "short_time")
    assert (short.reference_a, short.flat_beyond) == (5400, True)
    long = next(one for one in band.elements if one.function == "long_time")
    assert long.reference_a == 3240, "what the study says stays"


def test_the_studys_own_reference_goes_before_the_types(tmp_path: Path) -> None:
    edits = [("delay: 6 s at 6 x pickup", "delay: 6 s at 3 x pickup")]
    band = studied_band(drawn(tmp_path, study_edits=edits), "52-F1", "normal", PHASE_FUNCTIONS)
    assert next(one for one in band.elements if one.function == "long_time").reference_a == 1620
