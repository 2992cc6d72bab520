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


def test_of_devices_that_no_run_got_done_the_last_that_tried_says_why_with_all_it_says() -> None:
    first = _part(1, _finding("reach", "F-1", Verdict.NOT_TESTED, observed="cut"), done=())
    second = _part(
        2,
        _finding("alarm", "F-1", Verdict.NOT_TESTED, point="a"),
        _finding("alarm", "F-1", Verdict.NOT_TESTED, point="b"),
        _finding("reach", "F-1", Verdict.NOT_TESTED, observed="off"),
        done=(),
    )
    merged = merge([first, second])
    assert [(f.id, f.observed, f.evidence) for f in merged.findings] == [
        ("reach@F-1", "off", (205,)),
        ("alarm@F-1#a", "", (205,)),
        ("alarm@F-1#b", "", (205,)),
    ]
    assert all(_disposition(merged, f.id) == "open" for f in merged.findings)
    assert {history.stages for history in merged.histories} == {()}


def test_what_people_looked_at_counts_without_any_device_being_done() -> None:
    """A checklist is worked through by people; the last word is the last sheet's, also on the lineup."""
    first = _part(1, _finding("checklist.seen", "F-2", Verdict.FAIL), done=())
    second = _part(2, _finding("checklist.seen", "F-2", Verdict.PASS), tags=(), done=())
    merged = merge([first, second])
    assert _verdicts(merged)["checklist.seen@F-2"] == "pass"
    assert _stages(merged, "checklist.seen@F-2") == [("fail", False), ("pass", False)]
    assert ("checklist.seen", "F-2") in {(one.check, one.subject) for one in merged.expectations}
    worse = merge([_part(1, second.findings[0], done=()), replace(second, findings=first.findings)])
    assert _verdicts(worse)["checklist.seen@F-2"] == "fail", "what was seen last"
    doors = _part(1, _finding("checklist.seen", "lineup", Verdict.FAIL, point="door"), done=())
    shut = _part(2, _finding("checklist.seen", "lineup", Verdict.PASS), tags=("F-1",), done=())
    assert _verdicts(merge([doors, shut])) == {"checklist.seen@lineup": "pass"}


def test_what_every_run_says_of_itself_is_not_left_out_by_a_retest_of_single_checks() -> None:
    """A retest judges the run's own references again, without being asked to."""
    first = _part(1, _finding("run.reference", "lineup", Verdict.FAIL))
    whole = _retest(
        2, _finding("run.reference", "lineup", Verdict.PASS), tags=ORDER, checks=("clock.skew@F-1",)
    )
    assert _verdicts(merge([first, whole]))["run.reference@lineup"] == "pass"
    some = _retest(
        2, _finding("run.reference", "lineup", Verdict.PASS), tags=("F-1",), checks=("clock.skew@F-1",)
    )
    assert _verdicts(merge([first, some]))["run.reference@lineup"] == "fail"


def test_a_retest_across_devices_counts_when_it_got_all_its_devices_done() -> None:
    first = _part(1, _finding("clock.order", "lineup", Verdict.FAIL))
    again = _finding("clock.order", "lineup", Verdict.PASS)
    for checks, done, verdict in (
        (("clock.order@lineup",), ("F-1", "F-2"), "pass"),
        (("clock.order@lineup",), ("F-1",), "fail"),
        (("clock.skew@F-1",), ("F-1", "F-2"), "fail"),
    ):
        retest = replace(_retest(2, again, tags=("F-1", "F-2"), checks=checks), done=frozenset(done))
        assert _verdicts(merge([first, retest]))["clock.order@lineup"] == verdict, (checks, done)


def test_a_worse_verdict_on_the_lineup_takes_the_place_of_an_older_one_and_a_better_does_not() -> None:
    """The later run covered only a part: it may find more, but it cannot take back."""
    for old, new, stays in (
        (Verdict.REVIEW, Verdict.FAIL, "fail"),
        (Verdict.FAIL, Verdict.FAIL, "fail"),
        (Verdict.FAIL, Verdict.REVIEW, "fail"),
        (Verdict.NOT_TESTED, Verdict.REVIEW, "not tested"),
        (Verdict.PASS, Verdict.REVIEW, "review"),
    ):
        first = _part(1, _finding("clocks", "lineup", old))
        part = _part(2, _finding("clocks", "lineup", new), tags=("F-1",))
        assert _verdicts(merge([first, part])) == {"clocks@lineup": stays}, (old, new)
    same = merge(
        [
            _part(1, _finding("clocks", "lineup", Verdict.FAIL)),
            _part(2, _finding("clocks", "lineup", Verdict.FAIL), tags=("F-1",)),
        ]
    )
    assert same.findings[0].evidence == (205,), "the newer of two alike"


def test_the_lineups_findings_stand_last_and_dangerous_ones_first_on_each_device() -> None:
    part = _part(
        1,
        _finding("clocks", "lineup", Verdict.FAIL)._replace(danger=9),
        _finding("a", "F-3", Verdict.FAIL)._replace(danger=1),
        _finding("b", "F-3", Verdict.FAIL)._replace(danger=7),
        _finding("c", "F-1", Verdict.PASS),
        tags=("F-3", "F-1"),
    )
    merged = merge([part])
    assert [one.id for one in merged.findings] == ["c@F-1", "b@F-3", "a@F-3", "clocks@lineup"]
    assert (merged.tags, merged.left_out) == (("F-1", "F-3"), ("F-2",))
    assert [one.subject for one in merged.expectations] == ["F-1", "F-3", "F-3", "lineup"]


def test_what_any_run_required_is_required_and_what_lay_outside_its_scope_is_not() -> None:
    first = replace(
        _part(1, tags=("F-1",)),
        expectations=(
            Expectation(check="a", subject="F-1", required=False),
            Expectation(check="a", subject="F-2"),
            Expectation(check="c", subject="lineup", required=False),
        ),
    )
    second = replace(
        _part(2, tags=("F-1",)),
        expectations=(
            Expectation(check="a", subject="F-1"),
            Expectation(check="c", subject="lineup", required=False),
        ),
    )
    for parts in ([first, second], [second, first]):
        assert merge(parts).expectations == (
            Expectation(check="a", subject="F-1"),
            Expectation(check="c", subject="lineup", required=False),
        )


def test_why_a_merge_is_not_complete_names_the_first_five() -> None:
    tags = tuple(f"F-{number}" for number in range(1, 8))
    for many, told in ((5, "F-1, F-2, F-3, F-4, F-5"), (7, "F-1, F-2, F-3, F-4, F-5 and 2 more")):
        undone = replace(_part(1, tags=tags[:many], done=()), map_order=tags)
        assert merge([undone]).reason == f"no run got these devices done: {told}"
        silent = [_finding(check, tag, Verdict.NOT_TESTED) for tag in tags[:many] for check in ("a", "b")]
        untested = replace(_part(1, *silent, tags=tags[:many]), map_order=tags)
        merged = merge([untested])
        assert merged.reason == f"{2 * many} required verdicts could not be given: {told}"
        assert not merged.complete


def test_what_another_unit_was_said_to_be_before_it_was_exchanged_counts_again_when_it_is_back() -> None:
    """Three runs: the second met another unit. Only what was said before a change is void."""

    def run(day: int, serial: str, *more: Finding) -> Part:
        return _part(
            day, _finding("identity.serial", "F-2", Verdict.PASS, observed=serial), *more, tags=("F-2",)
        )

    passed = _finding("values.range", "F-2", Verdict.PASS)
    void = merge([run(1, "A1", passed), run(2, "B2")])
    assert _verdicts(void)["values.range@F-2"] == "not tested"
    kept = merge([run(1, "A1"), run(2, "B2", passed), run(3, "B2")])
    assert _verdicts(kept)["values.range@F-2"] == "pass"
    silent = _finding("identity.serial", "F-2", Verdict.NOT_TESTED)
    unknown = merge([run(1, "A1", passed), _part(2, silent, tags=("F-2",))])
    assert _verdicts(unknown)["values.range@F-2"] == "pass", "nothing says that it is another one"


def test_what_was_not_tested_before_a_unit_was_exchanged_stays_what_it_was() -> None:
    first = _part(
        1,
        _finding("identity.firmware_version", "F-2", Verdict.PASS, observed="1.0"),
        _finding("values.range", "F-2", Verdict.NOT_TESTED, observed="silent"),
        _finding("values.other", "F-2", Verdict.FAIL, observed="1"),
        tags=("F-2",),
    )
    second = _part(
        2, _finding("identity.firmware_version", "F-2", Verdict.PASS, observed="2.0"), tags=("F-2",)
    )
    found = {one.check: one for one in merge([first, second]).findings}
    assert (found["values.range"].title, found["values.range"].observed) == (
        "values.range not tested",
        "silent",
    )
    other = found["values.other"]
    assert (other.verdict, other.observed, other.expected) == (Verdict.NOT_TESTED, "", "")
    assert other.title.startswith("values.other fail: not tested, another firmware version answered")
    assert "--only F-2" in other.advice or "--only TAG" in other.advice


def test_causes_and_evidence_keep_the_number_of_their_own_run() -> None:
    """Also where a finding of an older run stands beside newer ones of the same check."""
    cause = Cause(
        id="c1", kind="k", subjects=("F-2",), statement="", confidence_permille=1, fix="",
        explains=("places@lineup#F-2",),
    )  # fmt: skip
    first = replace(
        _part(1, _finding("places", "lineup", Verdict.FAIL, point="F-2")._replace(cause="c1")),
        causes=(cause,),
    )
    second = replace(
        _part(2, _finding("places", "lineup", Verdict.FAIL, point="F-1")._replace(cause="c1"), tags=("F-1",)),
        causes=(replace(cause, explains=("places@lineup#F-1",)),),
    )
    merged = merge([first, second])
    assert {f.point: (f.cause, f.evidence) for f in merged.findings} == {
        "F-2": ("1.c1", (105,)),
        "F-1": ("2.c1", (205,)),
    }
    assert [(one.id, one.explains) for one in merged.causes] == [
        ("1.c1", ("places@lineup#F-2",)),
        ("2.c1", ("places@lineup#F-1",)),
    ]


def test_a_stage_says_what_its_run_said_and_of_what_is_gone_the_worst_of_the_check() -> None:
    retest = _part(
        2,
        _finding("alarm", "F-3", Verdict.REVIEW, point="x", observed="7"),
        _finding("alarm", "F-3", Verdict.FAIL, point="y", observed="8"),
        tags=("F-3",),
    )
    merged = merge([FIRST, replace(retest, key="ab" * 32)])
    history = next(one for one in merged.histories if one.finding == "alarm@F-3#overload")
    first, second = history.stages
    assert (first.source, first.gone, first.at_wall_ns, first.operator, first.key) == (
        1,
        False,
        DAY_NS,
        "Tester 1",
        "",
    )
    assert (second.source, second.gone, second.verdict) == (2, True, Verdict.FAIL)
    assert (second.observed, second.key, second.evidence) == ("7", "ab" * 32, (205,))


def test_a_finding_that_is_gone_and_was_never_judged_again_is_open() -> None:
    first = _part(1, _finding("places", "lineup", Verdict.FAIL, point="F-2"))
    calm = _part(2, _finding("places", "lineup", Verdict.REVIEW))
    merged = merge([first, calm])
    assert _disposition(merged, "places@lineup#F-2") == "open"
