"""What may share a conduit. Every rule: common practice, no source, unless its own source says otherwise."""

import pytest

from probe.desk.conduit import Cable, Neighbourhood, circuits_of, conduit, may_share, separation_mm
from probe.desk.working import Amount
from probe.model.finding import Verdict


@pytest.mark.parametrize(
    ("one", "other", "verdict"),
    [
        (Cable.CONTROL, Cable.FIBRE, Verdict.FAIL),
        (Cable.CONTROL, Cable.PAIR, Verdict.FAIL),
        (Cable.FIBRE, Cable.PAIR, Verdict.PASS),
        (Cable.PAIR, Cable.PAIR, Verdict.PASS),
        (Cable.POWER, Cable.PAIR, Verdict.FAIL),
        (Cable.POWER, Cable.CONTROL, Verdict.NOT_TESTED),
    ],
)
def test_pairs(one: Cable, other: Cable, verdict: Verdict) -> None:
    for pair in ((one, other), (other, one)):
        (statement,) = may_share(pair)
        assert statement.verdict is verdict
        assert statement.source


def test_the_trades_rules_say_that_they_have_no_source() -> None:
    statements = may_share((Cable.CONTROL, Cable.FIBRE, Cable.PAIR))
    assert len(statements) == 3
    assert {one.source for one in statements} == {"common practice, no source"}


def test_one_forbidden_pair_fails_the_whole_conduit() -> None:
    assert conduit((Cable.FIBRE, Cable.PAIR)).verdict is Verdict.PASS
    assert conduit((Cable.FIBRE, Cable.PAIR, Cable.CONTROL)).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("distance_mm", "verdict"), [(90, Verdict.PASS), (80, Verdict.REVIEW), (70, Verdict.FAIL)]
)
def test_distance_to_power(distance_mm: float, verdict: Verdict) -> None:
    given = Amount(value=distance_mm, unit="mm", plus_minus=5)
    beside = Neighbourhood(data_class="b", divider="none", circuits=12, distance_mm=given)
    assert conduit((Cable.PAIR,), beside).checks[0].verdict is verdict


def test_a_kind_alone_and_a_kind_twice_have_a_statement_of_their_own() -> None:
    assert len(may_share((Cable.PAIR,))) == 1
    assert len(may_share((Cable.PAIR, Cable.PAIR, Cable.FIBRE))) == 2


@pytest.mark.parametrize(
    ("amperes", "phases", "circuits"), [(16, 1, 1), (20, 1, 1), (20.1, 1, 2), (63, 3, 12), (40, 3, 6)]
)
def test_circuits_are_counted_in_multiples_of_20_amperes(amperes: float, phases: int, circuits: int) -> None:
    """Source: EN 50174-2 (from memory)."""
    assert circuits_of(amperes, phases) == circuits


@pytest.mark.parametrize(("circuits", "distance_mm"), [(-1, 0), (0, 0), (1, 20), (3, 20), (4, 40), (76, 600)])
def test_without_power_there_is_no_distance_to_keep(circuits: int, distance_mm: float) -> None:
    """Class b, no divider: 100 mm times P. Source: EN 50174-2 (from memory)."""
    assert separation_mm("b", "none", circuits) == pytest.approx(distance_mm)


@pytest.mark.parametrize(
    ("pair", "verdict", "words"),
    [
        ((Cable.CONTROL, Cable.CONTROL), Verdict.PASS, "control with its own kind"),
        ((Cable.FIBRE, Cable.FIBRE), Verdict.PASS, "fibre with its own kind"),
        ((Cable.POWER, Cable.POWER), Verdict.NOT_TESTED, "no rule is known here"),
        ((Cable.POWER, Cable.FIBRE), Verdict.FAIL, "its own conduit beside power"),
    ],
)
def test_the_rule_is_told_in_words(pair: tuple[Cable, Cable], verdict: Verdict, words: str) -> None:
    (statement,) = may_share(pair)
    assert statement.verdict is verdict
    assert words in statement.text


def test_without_power_beside_it_there_is_nothing_to_calculate() -> None:
    working = conduit((Cable.FIBRE,))
    assert (working.inputs, working.steps, working.result) == ((("cables", "fibre"),), (), ())
    assert working.verdict is Verdict.PASS
