"""What may share a conduit. Every rule: common practice, no source, unless its own source says otherwise."""

import pytest

from probe.desk.conduit import Cable, Neighbourhood, conduit, may_share
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
