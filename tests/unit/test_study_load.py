"""Study files: what is read, what is wrong with a whole file, what is wrong with one entry only."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from probe.collect.inputs import open_library
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.map_load import lineup_from_texts, load_lineup
from probe.model.profile_load import ProfileLibrary
from probe.model.protection import RatingBases, Shape
from probe.model.study import resolved_group
from probe.model.study_load import load_study, misfits

GOOD = (Path(__file__).parents[1] / "inputs" / "studies" / "good.yaml").read_text("utf-8")
MAP = """\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60, fault_current_ka: 42}
study: study.yaml
devices:
  - {tag: M1, kind: trip-unit, profile: trip-unit-second, section: A, address: {host: 10.20.1.11}}
  - {tag: M2, kind: trip-unit, profile: trip-unit-second, section: A, address: {host: 10.20.1.12}}
"""


def lineup(text: str, map_text: str = MAP, **options: str) -> tuple[Lineup, tuple[Problem, ...]]:
    files = {"map.yaml": map_text, "study.yaml": text, "other.yaml": text}
    return load_lineup("map.yaml", lambda name: files[name].encode(), open_library(), **options)


def test_a_study_in_amperes_and_seconds() -> None:
    study = load_study("s.yaml", GOOD).study
    settings = resolved_group(study.devices["M1"], "normal", None, None, 60.0)
    long_time, short_time = settings["long_time"], settings["short_time"]
    assert (long_time.pickup_a, long_time.delay, long_time.multiple) == (2250, 12, 6)
    assert (short_time.pickup_a, short_time.delay, short_time.shape) == (9000, pytest.approx(0.3), Shape.FLAT)
    assert settings["instantaneous"].enabled is False
    assert settings["ground"].pickup_a == 1000
    assert study.devices["M1"].bases("normal", None, None) == RatingBases(
        sensor_a=2500, plug_a=2500, pickup_a=2250
    )


def test_the_maintenance_group_takes_over_what_it_does_not_say() -> None:
    text = GOOD + "    maintenance:\n      instantaneous: {pickup: 2.5 x plug}\n"
    device = load_study("s.yaml", text).study.devices["M1"]
    settings = resolved_group(device, "maintenance", None, None, 60.0)
    assert settings["instantaneous"].pickup_a == 6250
    assert settings["short_time"].pickup_a == 9000


def told(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        load_study("s.yaml", text)
    return [str(problem) for problem in caught.value.problems]


def test_a_file_that_is_no_study() -> None:
    assert "format is none of the allowed words" in told(GOOD.replace("study/1", "map/1"))[0]
    assert "lists no devices" in told(GOOD.partition("devices:")[0])[0]
    assert "reference is missing" in "\n".join(told(GOOD.replace("reference: TH-CS-014\n", "")))


def test_a_blank_is_not_taken_for_a_word() -> None:
    assert "still to be filled in" in told(GOOD.replace("TH-CS-014", '"?"'))[0]


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("0.9 x plug", "0.9 x", "a multiple without its base"),
        ("0.9 x plug", "0.9 x pickup", "cannot be a multiple of itself"),
        ("18 cycles", "18", "a number without its unit"),
        ("1000 A", '"1,000 A"', "a comma can be thousands or decimals"),
        ("sensor: 2500 A", "sensor: 1 x plug", "a rating is given in amperes"),
        ("{enabled: off}", "{}", "the function says nothing"),
        ("short_time:", "stpu:", "did you mean short_time?"),
    ],
)
def test_a_wrong_entry_is_told_at_its_place_and_set_aside(old: str, new: str, what: str) -> None:
    more = "  - tag: M2\n    normal:\n      ground: {pickup: 500 A}\n"
    loaded = load_study("s.yaml", GOOD.replace(old, new, 1) + more)
    assert what in "\n".join(str(problem) for problem in loaded.problems)
    assert all(problem.line for problem in loaded.problems)
    assert set(loaded.study.devices) == {"M2"}
    assert "cannot be used" in loaded.study.refused["M1"]


def test_two_entries_for_one_tag_are_both_set_aside() -> None:
    loaded = load_study("s.yaml", GOOD + "  - tag: M1\n    normal:\n      ground: {pickup: 500 A}\n")
    assert loaded.study.devices == {}
    assert loaded.study.refused == {"M1": "the study has two entries for it"}
    assert "first at s.yaml:10:10" in loaded.problems[0].what


# -- beside its map ---------------------------------------------------------------------------------------


def test_a_lineup_with_its_study() -> None:
    made, warnings = lineup(GOOD)
    assert warnings == ()
    assert made.studies["M1"].reference == "TH-CS-014"
    assert [text.name for text in made.study_texts] == ["study.yaml"]
    again = lineup_from_texts(made.map_texts, ProfileLibrary.of(made.profile_texts), made.study_texts)
    assert (again.studies, again.study_texts) == (made.studies, made.study_texts)


def test_a_study_named_by_the_user_goes_before_the_map_s_and_stays_with_the_record() -> None:
    made, _ = lineup(GOOD, study="other.yaml")
    assert made.studies["M1"].name == "other.yaml"
    again = lineup_from_texts(made.map_texts, ProfileLibrary.of(made.profile_texts), made.study_texts)
    assert again.studies["M1"].name == "other.yaml"


@pytest.mark.parametrize(("old", "field"), [("lineup: MSB-1", "lineup"), ("Tarn Hollow", "site")])
def test_the_study_of_another_lineup_stops_everything(old: str, field: str) -> None:
    with pytest.raises(InputError) as caught:
        lineup(GOOD.replace(old, f"{old}x"))
    (problem,) = caught.value.problems
    assert problem.what == f"this is the study of another {field}"


def test_a_wrong_entry_is_a_warning_beside_the_map() -> None:
    made, warnings = lineup(GOOD.replace("18 cycles", "18"))
    assert [problem.severity for problem in warnings] == ["warning"]
    assert "M1" in made.studies["M1"].refused


def test_what_study_and_map_do_not_agree_on() -> None:
    study = load_study(
        "study.yaml", GOOD.replace("sensor: 2500 A", "sensor: 2000 A").replace("tag: M1", "tag: M9")
    )
    made, _ = lineup(GOOD)
    (problem,) = misfits(study.study, made.map)
    assert "M9, which is not in the map" in problem.what
    ratings = MAP.replace("host: 10.20.1.11}", "host: 10.20.1.11}, ratings: {sensor_a: 1600}")
    _, warnings = lineup(GOOD, ratings)
    assert "do not agree on the sensor of M1" in warnings[0].what
    assert (warnings[0].file, warnings[0].line) == ("study.yaml", 10)


def test_a_multiple_of_a_rating_that_nobody_states() -> None:
    _, warnings = lineup(GOOD.replace("    plug: 2500 A\n", ""))
    assert "multiples of its plug, which neither study nor map states" in warnings[0].what


def test_a_missing_study_is_an_error_of_the_map() -> None:
    files = {"map.yaml": MAP}
    with pytest.raises(InputError) as caught:
        load_lineup("map.yaml", lambda name: files[name].encode(), open_library(), exists=lambda name: False)
    assert caught.value.problems[0].what == "the study of the lineup is missing"


def test_the_example_of_the_manual_is_a_study() -> None:
    page = (Path(__file__).parents[2] / "docs" / "settings.md").read_text("utf-8")
    (text,) = re.findall(r"```yaml\n(.*?)```", page, flags=re.DOTALL)
    loaded = load_study("settings.md", text)
    assert loaded.problems == ()
    assert set(loaded.study.devices["52-F1"].groups) == {"normal", "alternate", "maintenance"}
    for shape in Shape:
        assert f"`{shape.value}`" in page
