"""What a retest repeats, from hand-made findings on the practice lineup."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from probe.judge.expectation import device_checks_of, expected
from probe.judge.repeat import Repeat
from probe.model.evidence import JUDGED, Note
from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope
from probe.record.again import Retest, open_findings, source_of, to_retest, unfinished
from probe.record.content import RecordContent, lineup_of, load
from probe.record.header import Relation
from probe.record.history import History

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


CIRCUIT = {"52-M2", "52-F7", "MTR-F7", "52-F8"}  # 52-M2 feeds 52-F7 and 52-F8, 52-F7 the meter MTR-F7


@pytest.mark.parametrize("subject", sorted(CIRCUIT))
def test_a_circuit_is_asked_whole_from_wherever_it_is_seen(
    sample: tuple[RecordContent, Lineup], subject: str
) -> None:
    """What flows in must flow out: the sums need every device that is fed from another one of them."""
    made = _retest(sample, _finding("electrical.feeders", subject, Verdict.FAIL))
    assert set(made.tags) == CIRCUIT
    assert set(made.checks) == {f"electrical.feeders@{subject}", *(f"values.*@{tag}" for tag in CIRCUIT)}


def test_checks_across_devices_are_repeated_on_all_devices_that_have_such_checks(
    sample: tuple[RecordContent, Lineup],
) -> None:
    content, lineup = sample
    due = (
        Expectation(check="settings.study", subject="52-F7"),
        Expectation(check="settings.study", subject="52-Z1"),  # not in this record's scope
        Expectation(check="clock.skew", subject="MTR-F7"),
    )
    open_ = _finding("settings.coordination", "lineup", Verdict.FAIL)
    made = to_retest(replace(content, findings=(open_,), expectations=due, causes=()), lineup)
    assert made == Retest(tags=("52-F7",), checks=("settings.*@52-F7", "settings.coordination@lineup"))
    nobody = to_retest(replace(content, findings=(open_,), expectations=(), causes=()), lineup)
    assert nobody.tags == content.header.scope.tags, "nothing says who has any: all are asked"


def test_other_checks_on_the_lineup_ask_those_that_they_speak_of(
    sample: tuple[RecordContent, Lineup],
) -> None:
    content, _ = sample
    cause = Cause(
        id="c1", kind="k", subjects=("52-F8", "52-M2"), statement="", confidence_permille=1, explains=(),
        fix="",
    )  # fmt: skip
    places = _finding("lineup.places", "lineup", Verdict.FAIL)
    assert _retest(sample, places._replace(point="52-F7")).tags == ("52-F7",)
    assert _retest(sample, places._replace(cause="c1"), causes=(cause,)).tags == ("52-F8", "52-M2")
    assert _retest(sample, places).tags == content.header.scope.tags, "it may be about any"


def test_what_follows_from_the_map_alone_asks_no_device(sample: tuple[RecordContent, Lineup]) -> None:
    made = _retest(sample, _finding("desk.fibre", "lineup", Verdict.FAIL))
    assert made == Retest(tags=(), checks=("desk.fibre@lineup",))


def test_what_is_drawn_otherwise_now_is_repeated_whole(sample: tuple[RecordContent, Lineup]) -> None:
    content, lineup = sample
    passed = replace(content, findings=(_finding("clock.skew", "52-M1", Verdict.PASS),), causes=())
    made = to_retest(passed, lineup, frozenset({"52-M1"}))
    assert made == Retest(tags=("52-M1",), checks=("*@52-M1",))
    failed = replace(content, findings=(_finding("clock.skew", "52-M1", Verdict.FAIL),), causes=())
    assert to_retest(failed, lineup, frozenset({"52-M1"})).checks == ("*@52-M1",)


@pytest.mark.parametrize(
    ("verdict", "required", "point", "repeated"),
    [
        (Verdict.NOT_TESTED, False, "", False),
        (Verdict.NOT_TESTED, True, "", True),
        (Verdict.NOT_TESTED, False, "52-F7", True),
        (Verdict.FAIL, False, "", True),
    ],
)
def test_when_an_untold_verdict_on_the_lineup_is_repeated(
    sample: tuple[RecordContent, Lineup], verdict: Verdict, required: bool, point: str, repeated: bool
) -> None:
    content, lineup = sample
    open_ = _finding("lineup.weight", "lineup", verdict)._replace(point=point)
    due = (Expectation(check="lineup.weight", subject="lineup", required=required),)
    made = to_retest(replace(content, findings=(open_,), causes=(), expectations=due), lineup)
    assert ("lineup.weight@lineup" in made.checks) is repeated


def test_open_is_what_fails_or_is_untested_and_nobody_accepted_nor_left_out(
    sample: tuple[RecordContent, Lineup],
) -> None:
    content, _ = sample
    findings = (
        _finding("a.b", "52-M1", Verdict.FAIL),
        _finding("a.b", "52-F1", Verdict.FAIL),
        _finding("a.b", "52-F7", Verdict.NOT_TESTED),
        _finding("a.b", "52-F8", Verdict.REVIEW),
        _finding("a.b", "52-M2", Verdict.PASS),
        _finding("a.b", "52-Z1", Verdict.FAIL),
    )
    histories = (
        History(finding="a.b@52-F1", stages=(), disposition="accepted"),
        History(finding="a.b@52-F7", stages=(), disposition="open"),
    )
    header = replace(content.header, scope=replace(content.header.scope, left_out=("52-Z1",)))
    told = open_findings(replace(content, header=header, findings=findings, histories=histories))
    assert [one.subject for one in told] == ["52-M1", "52-F7"]


def test_unfinished_are_the_devices_that_no_mark_says_were_judged(
    sample: tuple[RecordContent, Lineup],
) -> None:
    content, _ = sample
    notes = ((5, Note(1, JUDGED, "52-F1")), (6, Note(2, "said", "52-M1")), (7, Note(3, JUDGED, "52-M2")))
    left = unfinished(replace(content, evidence={Note: notes}))
    assert left == ("52-M1", "MC-1", "52-F7", "MTR-F7", "52-F8")
    assert unfinished(replace(content, evidence={})) == content.header.scope.tags


def test_a_new_record_names_an_older_one_by_its_code(sample: tuple[RecordContent, Lineup]) -> None:
    content, _ = sample
    named = source_of(content, Relation.RESUMES, Path("folder") / "old.audit.jsonl")
    assert (named.relation, named.code, named.count) == ("resumes", content.code, content.count)
    assert (named.file, named.closed) == ("old.audit.jsonl", True)
    assert source_of(replace(content, seal=None), Relation.RESUMES, Path("x")).closed is False
