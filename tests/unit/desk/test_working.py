"""Verdicts of a value against a limit, and what a calculation says of itself."""

from probe.desk.working import (
    Amount,
    Bound,
    Check,
    Statement,
    Step,
    Working,
    at_least,
    at_most,
    between,
    exact,
    missing,
)
from probe.model.finding import Verdict


def test_an_interval_across_the_limit_is_a_review() -> None:
    assert at_least(between("x", 10, (9.5, 10.5), "V"), 9.0, "s").verdict is Verdict.PASS
    assert at_least(between("x", 10, (8.5, 10.5), "V"), 9.0, "s").verdict is Verdict.REVIEW
    assert at_least(between("x", 8, (7.5, 8.5), "V"), 9.0, "s").verdict is Verdict.FAIL
    assert at_most(between("x", 10, (9.5, 10.5), "V"), 11.0, "s").verdict is Verdict.PASS
    assert at_most(between("x", 10, (9.5, 11.5), "V"), 11.0, "s").verdict is Verdict.REVIEW
    assert at_most(between("x", 12, (11.5, 12.5), "V"), 11.0, "s").verdict is Verdict.FAIL


def test_a_value_at_its_limit_is_inside_whatever_rounding_did() -> None:
    assert at_least(exact("x", 0.1 + 0.2, "V"), 0.3, "s").verdict is Verdict.PASS
    assert at_most(exact("x", 0.1 + 0.2, "V"), 0.3, "s").verdict is Verdict.PASS
    assert at_most(exact("x", 0.3001, "V"), 0.3, "s").verdict is Verdict.FAIL


def test_between_two_texts_of_a_limit_is_a_review() -> None:
    bound = Bound(sure=220, beyond=275)
    found = [at_most(exact("x", metres, "m"), bound, "s").verdict for metres in (220, 221, 275, 276)]
    assert found == [Verdict.PASS, Verdict.REVIEW, Verdict.REVIEW, Verdict.FAIL]


def test_no_solution_fails_and_no_limit_is_not_tested() -> None:
    assert at_least(missing("x", "V"), 1.0, "s").verdict is Verdict.FAIL
    assert at_most(missing("x", "V"), 1.0, "s").verdict is Verdict.FAIL
    bare = Working(calculation="c", inputs=(), steps=(), result=(exact("x", 1, "V"),))
    assert bare.verdict is Verdict.NOT_TESTED


def test_sources_are_named_once_and_in_order() -> None:
    steps = (Step(text="a", source="one"), Step(text="b"), Step(text="c", source="one"))
    check = at_least(exact("x", 1, "V"), 0.5, "two")
    working = Working(calculation="c", inputs=(), steps=steps, result=(), checks=(check,))
    assert working.sources == ("one", "two")


def test_two_levels_differ_by_decibels() -> None:
    assert at_most(exact("light", -5, "dBm"), -3, "s").margin_unit == "dB"
    assert at_most(exact("x", 1, "V"), 2, "s").margin_unit == "V"


def test_rounding_grows_with_the_limit() -> None:
    """A part in 1e9 of the limit counts for nothing, however large the limit is."""
    assert at_least(exact("x", 1e6 - 5e-4, "V"), 1e6, "s").verdict is Verdict.PASS
    assert at_least(exact("x", 1e6 - 5e-3, "V"), 1e6, "s").verdict is Verdict.FAIL


def test_a_value_that_does_not_exist_has_no_number() -> None:
    none = missing("x", "V")
    assert (none.value, none.low, none.high, none.exists) == (0, 0, 0, False)


def test_an_interval_that_just_reaches_the_limit_is_no_failure() -> None:
    """Its one end may be inside: a review, on either side of either limit."""
    assert at_least(between("x", 8.5, (8.0, 9.0), "V"), 9.0, "s").verdict is Verdict.REVIEW
    assert at_most(between("x", 9.5, (9.0, 10.0), "V"), 9.0, "s").verdict is Verdict.REVIEW


def test_rounding_at_small_limits_is_that_of_one_unit() -> None:
    for limit in (0.5, 1.0):
        assert at_least(exact("x", limit - 0.5e-9, "V"), limit, "s").verdict is Verdict.PASS
        assert at_least(exact("x", limit - 1.5e-9, "V"), limit, "s").verdict is Verdict.FAIL
        assert at_most(exact("x", limit + 0.5e-9, "V"), limit, "s").verdict is Verdict.PASS
        assert at_most(exact("x", limit + 1.5e-9, "V"), limit, "s").verdict is Verdict.FAIL


def test_the_margin_is_positive_inside_and_counts_to_the_sure_limit() -> None:
    assert at_least(exact("x", 10, "V"), 9, "s").margin == 1
    assert at_least(exact("x", 8, "V"), 9, "s").margin == -1
    assert at_most(exact("x", 10, "V"), Bound(sure=11, beyond=12), "s").margin == 1
    assert at_most(exact("x", 11.5, "V"), Bound(sure=11, beyond=12), "s").margin == -0.5


def test_an_interval_holds_its_value_whatever_the_ends_are() -> None:
    assert (between("x", 5, (4, 3), "V").low, between("x", 5, (4, 3), "V").high) == (3, 5)
    assert (between("x", 1, (4, 3), "V").low, between("x", 1, (4, 3), "V").high) == (1, 4)
    assert (exact("x", 2, "V").low, exact("x", 2, "V").high) == (2, 2)


def test_an_amount_is_read_with_its_unit_and_what_it_may_be_off() -> None:
    given = Amount(value=350, unit="m", plus_minus=10)
    assert (str(given), given.low, given.high) == ("350 ± 10 m", 340, 360)
    assert str(Amount(value=24.5, unit="V")) == "24.5 V"


def working(*checks: Check) -> Working:
    return Working(calculation="c", inputs=(), steps=(), result=(), checks=checks)


def test_the_closest_is_the_worst_verdict_with_the_least_share_of_its_limit_left() -> None:
    wide, near = at_most(exact("wide", 80, "m"), 100, "s"), at_most(exact("near", 9, "m"), 10, "s")
    assert working(wide, near).closest is near  # 10 % left, not 20 %; in metres it would be the other way
    failed = at_least(exact("low", 19, "V"), 20, "s")
    assert working(wide, near, failed).closest is failed
    assert working(failed, near, wide).closest is failed


def test_a_value_that_does_not_exist_is_not_the_closest() -> None:
    none, near = at_least(missing("x", "V"), 1, "s"), at_most(exact("near", 9, "m"), 10, "s")
    assert working(none, near).closest is near
    assert working(none).closest is None
    assert working().closest is None


def test_a_limit_of_nothing_divides_nothing() -> None:
    dark = at_most(exact("light", -3, "dBm"), 0, "s")
    near = at_most(exact("near", 9, "m"), 10, "s")
    assert working(dark, near).closest is near


def test_the_worst_of_checks_and_statements_is_the_verdict_of_the_whole() -> None:
    good = at_most(exact("x", 1, "V"), 2, "s")
    told = Statement(name="a with b", verdict=Verdict.FAIL, text="no", source="rule")
    both = Working(calculation="c", inputs=(), steps=(), result=(), checks=(good,), statements=(told,))
    assert both.verdict is Verdict.FAIL
    assert working(good).verdict is Verdict.PASS
    assert both.sources == ("s", "rule")
