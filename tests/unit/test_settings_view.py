"""All settings that a record holds: from records of the practice lineup, with and without a study."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from probe.model.evidence import JUDGED, Anchor, Exchange, Note, Outcome
from probe.model.finding import Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope
from probe.practice.offline import SECOND, TRUTH_S, Clock, Visit, exchanges_of, practice_lineup
from probe.practice.scenario import bundled_scenario
from probe.record.content import RecordContent, load
from probe.record.header import Header
from probe.record.settings_view import SettingsView, settings_of
from probe.record.writer import RecordWriter

#: Two breakers in series, a breaker by itself, and a meter, which has no protective settings.
TAGS = ("52-M1", "52-F1", "52-F7", "MTR-F7")
Taken = Mapping[str, list[tuple[int, Exchange]]]
Keep = Callable[[Exchange], Exchange]


@pytest.fixture(scope="module")
def practice() -> tuple[Lineup, Taken]:
    """The healthy lineup, polled once."""
    clock = Clock()
    lineup, registers = practice_lineup(bundled_scenario("healthy"), clock)
    wanted = {tag: registers[tag] for tag in TAGS}
    return lineup, exchanges_of(lineup, wanted, clock, Visit())


def _as_it_was(exchange: Exchange) -> Exchange:
    return exchange


def _silent(exchange: Exchange) -> Exchange:
    if exchange.tag != "52-F1":
        return exchange
    return exchange._replace(outcome=Outcome.NO_ANSWER, response=b"")


def _content(path: Path, lineup: Lineup, taken: Taken, keep: Keep = _as_it_was) -> RecordContent:
    header = Header.of(lineup, Scope(tags=TAGS), tool_version="0", started_wall_ns=round(TRUTH_S * SECOND))
    writer = RecordWriter.create(path, header)
    writer.keep(Anchor(0, round(TRUTH_S * SECOND)))
    for tag in TAGS:
        for _, exchange in taken[tag]:
            writer.keep(keep(exchange))
        writer.keep(Note(600 * SECOND, JUDGED, tag))
    writer.seal(complete=True, reason="")
    return load(path)


@pytest.fixture(scope="module")
def view(tmp_path_factory: pytest.TempPathFactory, practice: tuple[Lineup, Taken]) -> SettingsView:
    lineup, taken = practice
    content = _content(tmp_path_factory.mktemp("settings") / "r.audit.jsonl", lineup, taken)
    made = settings_of(content, lineup)
    assert made.code == content.code
    return made


def test_every_breaker_is_in_it_beside_its_study_and_nothing_else(view: SettingsView) -> None:
    """Healthy gear is set as its study asks."""
    assert [one.tag for one in view.devices] == ["52-M1", "52-F1", "52-F7"]
    for one in view.devices:
        assert one.rows
        assert {row.verdict for row in one.rows} == {Verdict.PASS}
        assert (one.why, one.found is None) == ("", False)
    assert set(view.found) == {"52-M1", "52-F1", "52-F7"}
    assert len(view.studies) == 1
    assert set(view.bands.found) == set(view.found)


def test_breakers_in_series_are_held_against_each_other(view: SettingsView) -> None:
    pairs = {(one.pair.upper, one.pair.lower) for one in view.coordinations}
    assert pairs == {("52-M1", "52-F1")}


def test_a_silent_breaker_has_no_settings_and_says_why(
    tmp_path: Path, practice: tuple[Lineup, Taken]
) -> None:
    lineup, taken = practice
    made = settings_of(_content(tmp_path / "r.audit.jsonl", lineup, taken, _silent), lineup)
    silent = next(one for one in made.devices if one.tag == "52-F1")
    assert (silent.rows, silent.found) == ((), None)
    assert silent.why.startswith("no values came from the device")
    assert set(made.found) == {"52-M1", "52-F7"}


def test_a_breaker_that_may_be_another_one_has_no_settings_and_says_why(
    tmp_path: Path, practice: tuple[Lineup, Taken]
) -> None:
    """Identity before values: what another breaker is set to says nothing of this one."""
    lineup, taken = practice
    mixed = {**taken, "52-F1": [(n, one._replace(tag="52-F1")) for n, one in taken["52-F7"]]}
    made = settings_of(_content(tmp_path / "r.audit.jsonl", lineup, mixed), lineup)
    other = next(one for one in made.devices if one.tag == "52-F1")
    assert (other.rows, other.found) == ((), None)
    assert "another device" in other.why


def test_without_a_study_what_is_set_is_shown_and_nothing_is_judged(
    tmp_path: Path, practice: tuple[Lineup, Taken]
) -> None:
    lineup, taken = practice
    bare = replace(lineup, studies={}, study_texts=())
    made = settings_of(_content(tmp_path / "r.audit.jsonl", bare, taken), bare)
    assert [one.tag for one in made.devices] == ["52-M1", "52-F1", "52-F7"]
    assert {one.why for one in made.devices} == {"the map names no study for it"}
    assert all(one.found is not None for one in made.devices)
    assert (made.coordinations, made.studies) == ((), ())
