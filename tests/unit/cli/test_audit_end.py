"""How a run ends: its exit code, whatever was found."""

from __future__ import annotations

import pytest

from probe.cli.audit_end import Ended, exit_code, with_required
from probe.cli.audit_start import default_record_path
from probe.collect.events import AuditResult
from probe.model.device_map import DeviceMap
from probe.model.finding import Expectation, Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope


def result(*verdicts: Verdict, complete: bool = True) -> AuditResult:
    """A result with one finding for each verdict, all of check ``c`` on 52-F1, 52-F2, ..."""
    lineup_map = DeviceMap.model_validate(
        {
            "format": "buswitness-map/1",
            "site": "Tarn Hollow Water Works",
            "lineup": "MSB-1",
            "system": {"voltage_v": 480, "frequency_hz": 60},
        }
    )
    findings = tuple(
        Finding(check="c", subject=f"52-F{number}", verdict=verdict, title="t")
        for number, verdict in enumerate(verdicts, 1)
    )
    return AuditResult(
        lineup=Lineup(map=lineup_map, profiles={}, map_texts=(), profile_texts=()),
        scope=Scope(tags=tuple(finding.subject for finding in findings)),
        started_wall_ns=0,
        finished_wall_ns=1,
        complete=complete,
        why_incomplete="" if complete else "stopped",
        findings=findings,
        causes=(),
        requests=1,
    )


@pytest.mark.parametrize(
    ("ended", "code"),
    [
        (Ended(result=result(Verdict.PASS), interrupted=False), 0),
        (Ended(result=result(Verdict.PASS, Verdict.REVIEW), interrupted=False), 0),
        (Ended(result=result(Verdict.PASS, Verdict.FAIL), interrupted=False), 1),
        (Ended(result=result(Verdict.FAIL, complete=False), interrupted=False), 1),
        (Ended(result=result(Verdict.PASS, complete=False), interrupted=False), 3),
        (Ended(result=result(Verdict.FAIL, complete=False), interrupted=True), 3),
        (Ended(result=result(Verdict.FAIL), interrupted=False, trouble="the disk is full"), 3),
        (Ended(result=None, interrupted=True), 3),
    ],
)
def test_exit_code(ended: Ended, code: int) -> None:
    """0 clean and complete, 1 fails, 3 incomplete; interrupted or unrecorded is 3 whatever was found."""
    assert exit_code(ended) == code


def test_a_required_gap_makes_the_run_incomplete() -> None:
    expectations = [Expectation(check="c", subject=f"52-F{n}", required=n != 3) for n in (1, 2, 3)]
    whole = result(Verdict.PASS, Verdict.PASS, Verdict.NOT_TESTED)
    assert with_required(whole, expectations).complete
    gap = with_required(result(Verdict.PASS, Verdict.NOT_TESTED), expectations[:2])
    assert not gap.complete
    assert gap.why_incomplete == "1 required verdict could not be given: 52-F2"


def test_a_required_verdict_that_never_came_is_a_gap() -> None:
    gap = with_required(result(Verdict.PASS), [Expectation(check="other", subject="52-F1")])
    assert not gap.complete


@pytest.mark.parametrize(
    ("lineup", "name"),
    [
        ("MSB-1", "MSB-1-20260302T101500Z.audit.jsonl"),
        ("Bâtiment 3 / TGBT", "B-timent-3-TGBT-20260302T101500Z.audit.jsonl"),
        ("../../etc", "etc-20260302T101500Z.audit.jsonl"),
        ("配電盤", "lineup-20260302T101500Z.audit.jsonl"),
    ],
)
def test_the_record_is_named_after_lineup_and_time(lineup: str, name: str) -> None:
    assert default_record_path(lineup, 1_772_446_500_999_999_999).name == name
