"""What a retest repeats, from hand-made findings on the practice lineup."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from probe.judge.expectation import device_checks_of, expected
from probe.judge.repeat import Repeat
from probe.model.finding import Cause, Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope
from probe.record.again import Retest, to_retest
from probe.record.content import RecordContent, lineup_of, load

SAMPLE = Path(__file__).parents[1] / "records" / "report.audit.jsonl"


@pytest.fixture(scope="module")
def sample() -> tuple[RecordContent, Lineup]:
    content = load(SAMPLE, with_evidence=False)
    return content, lineup_of(content.header)


def _finding(check: str, subject: str, verdict: Verdict, cause: str | None = None) -> Finding:
    return Finding(check=check, subject=subject, verdict=verdict, title=f"{check} said", cause=cause)


def _retest(
    sample: tuple[RecordContent, Lineup], *findings: Finding, causes: tuple[Cause, ...] = ()
) -> Retest:
    content, lineup = sample
    return to_retest(replace(content, findings=findings, causes=causes), lineup)


def test_single_checks_are_repeated_also_where_no_verdict_was_required(
    sample: tuple[RecordContent, Lineup],
) -> None:
    made = _retest(
        sample,
        _finding("reach.answers", "52-M1", Verdict.PASS),
        _finding("clock.skew", "52-M1", Verdict.FAIL),
        _finding("electrical.demand", "MTR-F7", Verdict.NOT_TESTED),
        _finding("supply.voltage", "52-M2", Verdict.PASS),
    )
    assert set(made.tags) == {"52-M1", "MTR-F7"}
    assert set(made.checks) == {"clock.skew@52-M1", "electrical.demand@MTR-F7"}


@pytest.mark.parametrize("check", ["identity.serial", "proof.point", "fresh.device", "reach.answers"])
def test_a_device_that_may_be_another_one_or_is_not_proven_is_repeated_whole(
    sample: tuple[RecordContent, Lineup], check: str
) -> None:
    made = _retest(
        sample, _finding(check, "52-F7", Verdict.FAIL), _finding("clock.skew", "52-F7", Verdict.NOT_TESTED)
    )
    assert made == Retest(tags=("52-F7",), checks=("*@52-F7",))


def test_what_is_for_review_goes_with_what_has_the_same_cause(sample: tuple[RecordContent, Lineup]) -> None:
    made = _retest(
        sample,
        _finding("clock.skew", "MTR-F7", Verdict.FAIL, "c1"),
        _finding("supply.voltage", "MTR-F7", Verdict.REVIEW, "c1"),
        _finding("values.range", "52-M1", Verdict.REVIEW),
    )
    assert set(made.checks) == {"clock.skew@MTR-F7", "supply.voltage@MTR-F7"}


def test_a_verdict_on_the_lineup_that_nothing_could_tell_draws_no_device_in(
    sample: tuple[RecordContent, Lineup],
) -> None:
    assert _retest(sample, _finding("lineup.weight", "lineup", Verdict.NOT_TESTED)) == Retest(
        tags=(), checks=()
    )


def test_what_hangs_together_is_asked_together(sample: tuple[RecordContent, Lineup]) -> None:
    content, lineup = sample
    made = _retest(sample, _finding("electrical.feeders", "52-M1", Verdict.FAIL))
    fed = {d.tag for d in lineup.map.devices if d.fed_from == "52-M1"} & set(content.header.scope.tags)
    assert fed
    assert {"52-M1"} | fed <= set(made.tags)
    repeat = Repeat(made.checks)
    assert all(repeat.asked(tag).values and not repeat.asked(tag).clock for tag in made.tags)


def test_identity_and_proof_come_first_and_nothing_else_is_due(sample: tuple[RecordContent, Lineup]) -> None:
    _, lineup = sample
    scope = Scope(tags=("52-M1",), checks=("clock.skew@52-M1",))
    due = {one.check for one in expected(lineup, scope) if one.subject == "52-M1"}
    first = {one for one in due if one.partition(".")[0] in ("identity", "proof")}
    assert {"identity.serial", "proof.point"} <= first
    assert due == {*first, "reach.answers", "clock.skew"}
    assert {one.check for one in expected(lineup, scope) if one.subject == "lineup"} <= {
        "run.reference",
        "run.references_agree",
        "run.clock_step",
    }
    order = [check.id for check in device_checks_of(scope)]
    assert order.index("identity.serial") < order.index("proof.point") < order.index("clock.skew")
