"""A whole audit over real sockets, its record, and the same verdicts from the record alone."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from probe.collect.agent import audit, prepare
from probe.collect.events import AuditResult
from probe.collect.inputs import open_lineup
from probe.model.finding import Verdict
from probe.model.scope import Scope
from probe.practice.lineup import practice
from probe.practice.scenario import bundled_scenario
from probe.record.content import RecordContent, lineup_of, load
from probe.record.header import Header
from probe.record.marks import Marks
from probe.record.rejudge import judge_again
from probe.record.verify import verify
from probe.record.writer import RecordWriter
from probe.wire.system_clock import SystemClock


async def _audited(
    scenario: str, folder: Path, *, quick: bool, stop_after_s: float | None = None
) -> tuple[AuditResult, Path]:
    """An audit of a practice lineup, kept in a record."""
    async with practice(bundled_scenario(scenario), directory=folder) as practised:
        lineup, _ = open_lineup(practised.map_path)
        scope = Scope(tags=tuple(device.tag for device in lineup.map.devices), quick=quick)
        clock, stop = SystemClock(), asyncio.Event()
        header = Header.of(lineup, scope, tool_version="0.1.0", started_wall_ns=clock.wall_ns())
        writer = RecordWriter.create(folder / "r.audit.jsonl", header)
        if stop_after_s is not None:
            asyncio.get_running_loop().call_later(stop_after_s, stop.set)
        marks = (Marks(writer, clock),)
        result = await audit(prepare(lineup, scope), ledger=writer, observers=marks, clock=clock, stop=stop)
        writer.seal(complete=result.complete, reason=result.why_incomplete)
    return result, writer.path


def _is_the_same_again(result: AuditResult, content: RecordContent) -> None:
    again = judge_again(content, lineup_of(content.header))
    assert content.findings == result.findings
    assert content.causes == result.causes
    assert again.findings == result.findings
    assert again.causes == result.causes


@pytest.mark.parametrize(("scenario", "quick"), [("healthy", True), ("handover", False)])
async def test_an_audit_is_judged_again_from_its_record_alone(
    tmp_path: Path, scenario: str, quick: bool
) -> None:
    result, path = await _audited(scenario, tmp_path, quick=quick)
    found = verify(path)
    assert found.holds
    assert (found.complete, found.times_doubt) == (result.complete, "")
    content = load(path)
    assert set(content.expectations) == set(prepare(result.lineup, result.scope).expectations)
    _is_the_same_again(result, content)
    assert Verdict.PASS in {finding.verdict for finding in result.findings}
    numbers = {number for items in content.evidence.values() for number, _ in items}
    assert {number for finding in result.findings for number in finding.evidence} <= numbers


async def test_an_interrupted_audit_is_judged_again_alike(tmp_path: Path) -> None:
    result, path = await _audited("handover", tmp_path, quick=False, stop_after_s=0.6)
    assert not result.complete
    found = verify(path)
    assert (found.holds, found.complete) == (True, False)
    _is_the_same_again(result, load(path))
