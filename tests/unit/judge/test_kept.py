"""What modules keep of the last run for speed is not taken for another run's."""

from __future__ import annotations

from dataclasses import replace

import pytest

from probe.judge import traits
from probe.judge.device import _run_context
from probe.judge.electrical.topology import topology_of
from probe.judge.expectation import agendas_of
from probe.judge.witness.checks import plan_of
from probe.model.device_evidence import RunEvidence
from probe.model.scope import Scope
from probe.practice.offline import Clock, practice_lineup
from probe.practice.scenario import small_scenario

FIRST = practice_lineup(small_scenario(["MTR-M1"]), Clock())[0]
SECOND = practice_lineup(small_scenario(["MTR-M1", "52-F1"]), Clock())[0]
ONE = Scope(tags=tuple(FIRST.map.by_tag))


def test_a_topology_is_that_of_its_map() -> None:
    for lineup in (FIRST, FIRST, SECOND, FIRST):
        kept = topology_of(lineup.map)
        assert set(kept.circuit_of) | set(kept.parent) <= set(lineup.map.by_tag)
        assert kept is topology_of(lineup.map)


def test_agendas_are_those_of_lineup_and_scope() -> None:
    kept = agendas_of(FIRST, ONE)
    assert agendas_of(FIRST, ONE) is kept
    quick = replace(ONE, quick=True)
    assert agendas_of(FIRST, quick) is not kept
    assert agendas_of(SECOND, quick) is not agendas_of(FIRST, quick)


def test_a_witness_plan_is_that_of_lineup_and_scope() -> None:
    other = replace(ONE, sheets=("trial",))
    for lineup, scope in ((FIRST, ONE), (FIRST, other), (SECOND, other), (FIRST, ONE)):
        kept = plan_of(lineup, scope)
        assert kept.lineup is lineup
        assert kept.scope == scope
        assert plan_of(lineup, scope) is kept


def test_a_runs_context_is_that_of_lineup_and_evidence() -> None:
    run, other = RunEvidence(), RunEvidence()
    for lineup, evidence in ((FIRST, run), (FIRST, other), (SECOND, other), (FIRST, run)):
        kept = _run_context(lineup, evidence)
        assert kept.lineup is lineup
        assert kept.run is evidence
        assert _run_context(lineup, evidence) is kept


def test_shapes_are_worked_out_once_and_not_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(traits, "_SHAPES_KEPT", 4)
    profile = FIRST.profile_of(FIRST.map.by_tag["MTR-M1"])
    shapes = traits.Shapes(profile, frozenset())
    keys = [(3, start, 2) for start in range(9)]
    shape, seen = shapes.of(keys[0]), shapes.seen(frozenset(keys[:1]))
    shapes.of(keys[1])
    shapes.seen(frozenset(keys[1:2]))
    assert shapes.of(keys[0]) is shape
    assert shapes.seen(frozenset(keys[:1])) is seen
    for key in keys:
        shapes.of(key)
        shapes.seen(frozenset([key]))
        assert len(shapes._known) <= 4
        assert len(shapes._seen) <= 4
