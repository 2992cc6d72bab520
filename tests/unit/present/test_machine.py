"""Machine: the object of design section 4, complete and plain."""

from __future__ import annotations

import json
from types import SimpleNamespace

from probe.collect.events import RunPlan
from probe.present.machine import audit_document, cut_off_document


def test_the_object_holds_what_the_design_names(plan: RunPlan, staged: SimpleNamespace) -> None:
    document = audit_document(staged.result(plan), record="a.audit.jsonl", code="00ff", exit_code=1)
    asked = [
        "format",
        "site",
        "lineup",
        "started",
        "finished",
        "complete",
        "counts",
        "devices",
        "findings",
        "causes",
    ]
    assert set(asked) <= set(document)
    assert document["format"] == "buswitness-audit/1"
    assert document["started"] == "2026-03-02T10:15:00.000Z"
    assert document["counts"] == {"fail": 6, "not tested": 1, "review": 1, "pass": 21}
    fields = [
        "check",
        "subject",
        "verdict",
        "title",
        "observed",
        "expected",
        "unit",
        "uncertainty",
        "rule",
        "evidence",
        "advice",
        "cause",
    ]
    assert all(set(fields) <= set(finding) for finding in document["findings"])
    parts = ["id", "kind", "subjects", "statement", "confidence", "explains", "fix"]
    assert all(set(parts) <= set(cause) for cause in document["causes"])
    assert document["causes"][0]["confidence"] == 0.95
    assert json.loads(json.dumps(document)) == document


def test_devices_carry_address_verdict_and_counts(plan: RunPlan, staged: SimpleNamespace) -> None:
    document = audit_document(staged.result(plan), record="a", code="", exit_code=1)
    by_tag = {device["tag"]: device for device in document["devices"]}
    assert len(by_tag) == 25
    assert document["left_out"] == ["UPS-1"]
    assert by_tag["52-F3"]["verdict"] == "fail"
    assert by_tag["52-F12"]["verdict"] == "not tested"
    assert by_tag["52-M1"]["address"] == {"link": "127.0.0.1:15000", "unit": 255, "via": None}
    assert by_tag["52-F3"]["counts"] == {"fail": 1, "not tested": 0, "review": 0, "pass": 1}


def test_a_run_that_was_cut_off_has_no_verdicts(plan: RunPlan) -> None:
    document = cut_off_document(plan.lineup, record="a", code="", trouble="", exit_code=3)
    assert (document["complete"], document["findings"], document["exit_code"]) == (False, [], 3)
    assert document["why_incomplete"] == "cut off by the operator"
