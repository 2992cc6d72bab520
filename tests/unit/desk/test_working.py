"""Verdicts of a value against a limit, and what a calculation says of itself."""

from probe.desk.working import Bound, Step, Working, at_least, at_most, between, exact, missing
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
