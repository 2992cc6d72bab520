"""The state at hand-over: the rules of merging, by hand-made runs."""

from __future__ import annotations

from dataclasses import replace

from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.record.history import Acceptance
from probe.record.merge import Merged, Part, merge

ORDER = ("F-1", "F-2", "F-3")
DAY_NS = 86_400_000_000_000


def _finding(check: str, subject: str, verdict: Verdict, *, point: str = "", observed: str = "") -> Finding:
    return Finding(
        check=check,
        subject=subject,
        verdict=verdict,
        title=f"{check} {verdict.value}",
        point=point,
        observed=observed,
        evidence=(5,),
    )


def _part(
    day: int, *findings: Finding, tags: tuple[str, ...] = ORDER, done: tuple[str, ...] | None = None
) -> Part:
    return Part(
        code=f"{day:064x}",
        started_wall_ns=day * DAY_NS,
        operator=f"Tester {day}",
        key="",
        map_order=ORDER,
        tags=tags,
        done=frozenset(tags if done is None else done),
        findings=findings,
        causes=(),
        expectations=tuple(dict.fromkeys(Expectation(check=f.check, subject=f.subject) for f in findings)),
        offset=100 * day,
    )


def _verdicts(merged: Merged) -> dict[str, str]:
    return {finding.id: finding.verdict.value for finding in merged.findings}


def _stages(merged: Merged, name: str) -> list[tuple[str, bool]]:
    history = next(one for one in merged.histories if one.finding == name)
    return [(stage.verdict.value, stage.gone) for stage in history.stages]


def _disposition(merged: Merged, name: str) -> str:
    return next(one.disposition for one in merged.histories if one.finding == name)


FIRST = _part(
    1,
    _finding("reach", "F-1", Verdict.PASS),
    _finding("reach", "F-2", Verdict.FAIL, observed="silent"),
    _finding("clock", "F-2", Verdict.NOT_TESTED),
    _finding("alarm", "F-3", Verdict.FAIL, point="overload"),
    _finding("places", "lineup", Verdict.FAIL, point="F-2"),
)


def test_a_retest_has_the_last_word_and_the_failure_stays_in_the_history() -> None:
    retest = _part(
        2,
        _finding("reach", "F-2", Verdict.PASS),
        _finding("clock", "F-2", Verdict.PASS),
        tags=("F-2",),
    )
    merged = merge([FIRST, retest])
    found = _verdicts(merged)
    assert (found["reach@F-1"], found["reach@F-2"], found["clock@F-2"]) == ("pass", "pass", "pass")
    assert _stages(merged, "reach@F-2") == [("fail", False), ("pass", False)]
    assert _disposition(merged, "reach@F-2") == "closed"
    history = next(one for one in merged.histories if one.finding == "reach@F-2")
    assert [stage.operator for stage in history.stages] == ["Tester 1", "Tester 2"]
    assert [stage.evidence for stage in history.stages] == [(105,), (205,)]
    assert [finding.subject for finding in merged.findings] == ["F-1", "F-2", "F-2", "F-3", "lineup"]


def test_what_fails_again_stays_open_and_what_was_fine_may_fail_later() -> None:
    retest = _part(2, _finding("reach", "F-2", Verdict.FAIL), _finding("reach", "F-1", Verdict.FAIL))
    merged = merge([FIRST, retest])
    assert _verdicts(merged)["reach@F-1"] == "fail"
    assert _stages(merged, "reach@F-1") == [("pass", False), ("fail", False)]
    assert {_disposition(merged, "reach@F-1"), _disposition(merged, "reach@F-2")} == {"open"}


def test_an_alarm_that_is_gone_is_closed_by_the_check_as_a_whole() -> None:
    retest = _part(2, _finding("alarm", "F-3", Verdict.PASS), tags=("F-3",))
    merged = merge([FIRST, retest])
    assert "alarm@F-3#overload" not in _verdicts(merged)
    assert _verdicts(merged)["alarm@F-3"] == "pass"
    assert _stages(merged, "alarm@F-3#overload") == [("fail", False), ("pass", True)]
    assert _disposition(merged, "alarm@F-3#overload") == "closed"


def test_an_alarm_that_is_gone_while_another_came_is_not_closed() -> None:
    retest = _part(2, _finding("alarm", "F-3", Verdict.FAIL, point="ground"), tags=("F-3",))
    merged = merge([FIRST, retest])
    assert _disposition(merged, "alarm@F-3#overload") == "open"
    assert _verdicts(merged)["alarm@F-3#ground"] == "fail"


def test_a_run_that_did_not_get_a_device_done_says_nothing_of_it() -> None:
    """An interrupted retest must not turn a fail into not tested, nor a pass."""
    retest = _part(2, _finding("reach", "F-2", Verdict.NOT_TESTED), tags=("F-2",), done=())
    merged = merge([FIRST, retest])
    assert _verdicts(merged)["reach@F-2"] == "fail"
    assert _stages(merged, "reach@F-2") == [("fail", False)]


def test_a_retest_that_cannot_test_any_more_counts() -> None:
    """Done and not tested: the state now is that nothing is known; an old pass is no proof of it."""
    retest = _part(2, _finding("reach", "F-1", Verdict.NOT_TESTED), tags=("F-1",))
    merged = merge([FIRST, retest])
    assert _verdicts(merged)["reach@F-1"] == "not tested"
    assert not merged.complete


def test_a_device_that_no_run_got_done_is_not_complete() -> None:
    cut = _part(
        1, _finding("reach", "F-1", Verdict.PASS), _finding("reach", "F-2", Verdict.NOT_TESTED), done=("F-1",)
    )
    merged = merge([replace(cut, tags=("F-1", "F-2"))])
    assert (merged.complete, "F-2" in merged.reason) == (False, True)
    assert _verdicts(merged)["reach@F-2"] == "not tested"


def test_two_halves_of_an_interrupted_run_are_whole() -> None:
    cut = _part(
        1, _finding("reach", "F-1", Verdict.PASS), _finding("reach", "F-2", Verdict.NOT_TESTED), done=("F-1",)
    )
    rest = _part(2, _finding("reach", "F-2", Verdict.PASS), tags=("F-2",))
    merged = merge([replace(cut, tags=("F-1", "F-2")), rest])
    assert (merged.complete, merged.reason) == (True, "")
    assert merged.tags == ("F-1", "F-2")
    assert merged.left_out == ("F-3",)


def test_a_finding_on_the_lineup_stays_until_its_device_was_tested_again() -> None:
    elsewhere = _part(2, _finding("places", "lineup", Verdict.PASS), tags=("F-1",))
    assert _verdicts(merge([FIRST, elsewhere]))["places@lineup#F-2"] == "fail"
    there = _part(2, _finding("places", "lineup", Verdict.PASS), tags=("F-2",))
    merged = merge([FIRST, there])
    assert "places@lineup#F-2" not in _verdicts(merged)
    assert _disposition(merged, "places@lineup#F-2") == "closed"


def test_a_finding_on_the_whole_lineup_needs_the_whole_lineup() -> None:
    first = _part(1, _finding("clocks", "lineup", Verdict.FAIL))
    part = _part(2, _finding("clocks", "lineup", Verdict.PASS), tags=("F-1", "F-2"))
    assert _verdicts(merge([first, part]))["clocks@lineup"] == "fail"
    whole = _part(3, _finding("clocks", "lineup", Verdict.PASS))
    assert _verdicts(merge([first, part, whole]))["clocks@lineup"] == "pass"


def _acceptance(part: Part, finding: Finding, **changes: str) -> Acceptance:
    acceptance = Acceptance(
        finding=finding.id,
        code=part.code,
        verdict=finding.verdict,
        title=finding.title,
        observed=finding.observed,
        expected=finding.expected,
        by="Owner's engineer",
        reason="spare",
        at_wall_ns=2 * DAY_NS,
    )
    return replace(acceptance, **changes)  # type: ignore[arg-type]


def test_an_accepted_deviation_stays_a_failed_finding_with_a_disposition() -> None:
    merged = merge([FIRST], [_acceptance(FIRST, FIRST.findings[1])])
    assert _verdicts(merged)["reach@F-2"] == "fail"
    assert _disposition(merged, "reach@F-2") == "accepted"
    history = next(one for one in merged.histories if one.finding == "reach@F-2")
    assert [(one.by, one.reason) for one in history.accepted] == [("Owner's engineer", "spare")]


def test_an_acceptance_counts_only_for_what_was_seen_when_it_was_given() -> None:
    accepted = _acceptance(FIRST, FIRST.findings[1])
    same = _part(2, _finding("reach", "F-2", Verdict.FAIL, observed="silent"), tags=("F-2",))
    assert _disposition(merge([FIRST, same], [accepted]), "reach@F-2") == "accepted"
    other = _part(2, _finding("reach", "F-2", Verdict.FAIL, observed="refused"), tags=("F-2",))
    merged = merge([FIRST, other], [accepted])
    assert _disposition(merged, "reach@F-2") == "open"
    assert next(one for one in merged.histories if one.finding == "reach@F-2").accepted == (accepted,)


def test_an_acceptance_of_something_that_no_run_found_is_worth_nothing() -> None:
    for wrong in ({"code": "f" * 64}, {"observed": "something else"}):
        merged = merge([FIRST], [_acceptance(FIRST, FIRST.findings[1], **wrong)])
        assert _disposition(merged, "reach@F-2") == "open"
        assert next(one for one in merged.histories if one.finding == "reach@F-2").accepted == ()


def test_causes_go_with_what_they_explain() -> None:
    cause = Cause(
        id="c1",
        kind="silent",
        subjects=("F-2",),
        statement="F-2 is silent",
        confidence_permille=700,
        explains=("reach@F-2", "clock@F-2"),
        fix="look",
    )
    first = replace(
        FIRST,
        causes=(cause,),
        findings=tuple(f._replace(cause="c1") if f.subject == "F-2" else f for f in FIRST.findings),
    )
    half = _part(2, _finding("reach", "F-2", Verdict.PASS), tags=("F-2",))
    merged = merge([first, half])
    assert [(one.id, one.explains) for one in merged.causes] == [("1.c1", ("clock@F-2",))]
    assert {f.id: f.cause for f in merged.findings if f.subject == "F-2"} == {
        "reach@F-2": None,
        "clock@F-2": "1.c1",
    }
    both = _part(
        2, _finding("reach", "F-2", Verdict.PASS), _finding("clock", "F-2", Verdict.PASS), tags=("F-2",)
    )
    assert merge([first, both]).causes == ()


def test_no_failure_is_ever_without_a_history() -> None:
    parts = [FIRST, _part(2, *(f._replace(verdict=Verdict.PASS) for f in FIRST.findings))]
    merged = merge(parts)
    failed = {f.id for f in FIRST.findings if f.verdict is not Verdict.PASS}
    assert {history.finding for history in merged.histories} == failed
    assert all(history.stages[0].verdict is not Verdict.PASS for history in merged.histories)


def _retest(day: int, *findings: Finding, tags: tuple[str, ...], checks: tuple[str, ...]) -> Part:
    return replace(_part(day, *findings, tags=tags), checks=frozenset(checks))


def test_a_retest_of_single_checks_leaves_all_else_as_it_was() -> None:
    first = _part(
        1,
        _finding("identity.serial", "F-2", Verdict.PASS, observed="A1"),
        _finding("clock.skew", "F-2", Verdict.FAIL),
        _finding("reach.delay", "F-2", Verdict.PASS),
        _finding("places", "lineup", Verdict.FAIL, point="F-2"),
        _finding("weight", "lineup", Verdict.FAIL),
    )
    retest = _retest(
        2,
        _finding("identity.serial", "F-2", Verdict.PASS, observed="A1"),
        _finding("clock.skew", "F-2", Verdict.PASS),
        _finding("places", "lineup", Verdict.PASS),
        tags=("F-2",),
        checks=("clock.skew@F-2", "places@lineup"),
    )
    merged = merge([first, retest])
    found = _verdicts(merged)
    assert (found["clock.skew@F-2"], found["reach.delay@F-2"]) == ("pass", "pass")
    assert "places@lineup#F-2" not in found
    assert found["weight@lineup"] == "fail", "it was not repeated"
    assert _stages(merged, "clock.skew@F-2") == [("fail", False), ("pass", False)]
    assert merged.complete


def test_what_another_unit_passed_counts_no_more() -> None:
    """The clock alone was repeated, and a unit with another serial number answered: nothing else is known."""
    first = _part(
        1,
        _finding("identity.serial", "F-2", Verdict.PASS, observed="A1"),
        _finding("clock.skew", "F-2", Verdict.FAIL),
        _finding("values.range", "F-2", Verdict.PASS),
        _finding("values.range", "F-1", Verdict.PASS),
    )
    retest = _retest(
        2,
        _finding("identity.serial", "F-2", Verdict.PASS, observed="B2"),
        _finding("clock.skew", "F-2", Verdict.PASS),
        tags=("F-2",),
        checks=("clock.skew@F-2",),
    )
    merged = merge([first, retest])
    found = _verdicts(merged)
    assert (found["values.range@F-2"], found["values.range@F-1"]) == ("not tested", "pass")
    assert (found["identity.serial@F-2"], found["clock.skew@F-2"]) == ("pass", "pass")
    assert (merged.complete, "F-2" in merged.reason) == (False, True)
    title = next(f.title for f in merged.findings if f.id == "values.range@F-2")
    assert "another serial answered" in title
