"""The punch list: what is still open, the worst first, with what people need to go and mend it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.model.lineup import SourceText
from probe.record.content import RecordContent, load
from probe.record.history import Acceptance, History, Stage
from probe.record.punch import COLUMNS, punch_list, rows

SAMPLE = Path(__file__).parents[1] / "records" / "report.audit.jsonl"
FIRST_NS, LATER_NS = 1_773_480_413_000_000_000, 1_773_566_813_000_000_000


@pytest.fixture(scope="module")
def sample() -> RecordContent:
    return load(SAMPLE, with_evidence=False)


def _finding(check: str, subject: str, verdict: Verdict, danger: int = 0, cause: str = "") -> Finding:
    return Finding(
        check=check, subject=subject, verdict=verdict, title=f"{check} said", observed="480", expected="277",
        unit="V", uncertainty="0.5", rule="IEC 0", advice="look", cause=cause or None, danger=danger,
    )  # fmt: skip


def _content(sample: RecordContent, *findings: Finding, required: tuple[str, ...] = ()) -> RecordContent:
    due = tuple(
        Expectation(check=one.check, subject=one.subject, required=one.check in required) for one in findings
    )
    return replace(sample, findings=findings, expectations=due, causes=(), histories=())


def _stage(verdict: Verdict, at_ns: int) -> Stage:
    return Stage(
        source=1, verdict=verdict, title="", observed="480", expected="277", gone=False, at_wall_ns=at_ns,
        operator="", key="", evidence=(),
    )  # fmt: skip


def _accepted(finding: Finding, **changes: str) -> Acceptance:
    made = Acceptance(
        finding=finding.id, code="0" * 64, verdict=finding.verdict, title=finding.title,
        observed=finding.observed, expected=finding.expected, by="Owner", reason="spare", at_wall_ns=FIRST_NS,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def _listed(content: RecordContent) -> list[str]:
    return [row["id"] for row in punch_list(content)]


def test_failures_come_first_then_what_was_required_then_the_most_dangerous(sample: RecordContent) -> None:
    content = _content(
        sample,
        _finding("pass.1", "52-M1", Verdict.PASS, 9),
        _finding("untested.1", "52-M1", Verdict.NOT_TESTED, 9),
        _finding("untested.2", "52-M1", Verdict.NOT_TESTED),
        _finding("fail.1", "52-M1", Verdict.FAIL, 1),
        _finding("review.1", "52-M1", Verdict.REVIEW, 9),
        _finding("fail.2", "52-M1", Verdict.FAIL, 5),
        _finding("fail.3", "52-M1", Verdict.FAIL),
        _finding("fail.4", "52-F1", Verdict.FAIL, 5),
        required=("fail.3", "untested.2"),
    )
    assert _listed(content) == [
        "fail.3@52-M1",
        "fail.2@52-M1",
        "fail.4@52-F1",
        "fail.1@52-M1",
        "untested.2@52-M1",
        "untested.1@52-M1",
    ]


def test_what_was_accepted_stands_at_the_end_with_who_and_why(sample: RecordContent) -> None:
    worst, other = _finding("a.b", "52-M1", Verdict.FAIL, 9), _finding("c.d", "52-M1", Verdict.NOT_TESTED)
    mended = _finding("e.f", "52-M1", Verdict.PASS)
    histories = (
        History(
            finding=worst.id,
            stages=(_stage(Verdict.NOT_TESTED, FIRST_NS), _stage(Verdict.FAIL, LATER_NS)),
            accepted=(_accepted(worst), _accepted(worst, observed="another value", by="Nobody")),
            disposition="accepted",
        ),
        History(finding=mended.id, stages=(), accepted=(_accepted(mended),), disposition="accepted"),
    )
    listed = punch_list(replace(_content(sample, worst, other, mended), histories=histories))
    assert [row["id"] for row in listed] == [other.id, worst.id]
    assert (listed[1]["disposition"], listed[1]["accepted_by"]) == ("accepted", "Owner")
    assert (listed[1]["accepted_reason"], listed[1]["first_failed"]) == (
        "spare",
        "2026-03-15T09:26:53.000000000Z",
    )
    assert listed[0]["disposition"] == "open"


def test_what_never_failed_has_no_first_failure(sample: RecordContent) -> None:
    finding = _finding("a.b", "52-M1", Verdict.NOT_TESTED)
    history = History(finding=finding.id, stages=(_stage(Verdict.NOT_TESTED, FIRST_NS),))
    (row,) = punch_list(replace(_content(sample, finding), histories=(history,)))
    assert (row["first_failed"], row["disposition"], row["accepted_by"]) == ("", "open", "")


def test_a_row_says_all_that_is_known(sample: RecordContent) -> None:
    cause = Cause(
        id="c1", kind="silent", subjects=("52-F7",), statement="it is off", confidence_permille=900,
        explains=("a.b@52-F7",), fix="switch it on",
    )  # fmt: skip
    told = _finding("a.b", "52-F7", Verdict.FAIL, 9, "c1")
    content = _content(sample, _finding("x.y", "lineup", Verdict.PASS), told, required=("a.b",))
    passed, failed = rows(replace(content, causes=(cause,)), content.findings)
    assert failed == {
        "number": "2", "verdict": "fail", "subject": "52-F7", "section": "5 Feeders 7-9", "title": "a.b said",
        "observed": "480", "expected": "277", "unit": "V", "uncertainty": "0.5", "danger": "9",
        "advice": "look", "cause": "it is off", "fix": "switch it on", "required": "yes", "rule": "IEC 0",
        "id": "a.b@52-F7", "disposition": "open",
    }  # fmt: skip
    assert (passed["section"], passed["cause"], passed["fix"]) == ("", "", "")
    assert (passed["required"], passed["disposition"]) == ("no", "")
    assert set(failed) <= set(COLUMNS)


def test_without_a_map_that_loads_there_are_no_sections(sample: RecordContent) -> None:
    """A record of another version may carry a map that this one does not read; the table does without."""
    content = _content(sample, _finding("a.b", "52-F7", Verdict.FAIL))
    newer = SourceText(name="map.yaml", text="format: buswitness-map/99\n", sha256="0" * 64)
    for texts in ((), (newer,)):
        (row,) = punch_list(replace(content, header=replace(content.header, map_texts=texts)))
        assert (row["subject"], row["section"]) == ("52-F7", "")
