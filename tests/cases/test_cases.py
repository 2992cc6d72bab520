"""Every case of every check: the verdict, and what the texts must say."""

from __future__ import annotations

from typing import Any

from probe.model.finding import worst


def test_case(check: str, case: dict[str, Any], judge: Any) -> None:
    findings = judge(case).findings(check)
    subject = case.get("subject")
    if subject:
        findings = [finding for finding in findings if finding.subject == subject]
    assert findings, "the check said nothing"
    wanted = case["expect"]
    seen = worst([finding.verdict for finding in findings]).value
    assert seen == wanted, [(f.verdict.value, f.title, f.observed, f.expected) for f in findings]
    telling = [finding for finding in findings if finding.verdict.value == wanted]
    for field, text in case.get("holds", {}).items():
        shown = [getattr(finding, field) for finding in telling]
        if field == "point":
            assert text in shown
        else:
            assert any(str(text) in str(one) for one in shown), (field, shown)


def test_failures_tell_what_to_do(check: str, case: dict[str, Any], judge: Any) -> None:
    for finding in judge(case).findings(check):
        if finding.verdict.value in ("fail", "review"):
            assert finding.advice, finding
            assert finding.observed, finding
            assert finding.danger > 0, finding
            assert len(finding.title) < 100
