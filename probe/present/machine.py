"""Machine: the result of an audit as one JSON object (design, section 4)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from math import isinf
from typing import Any

from probe.collect.events import AuditResult
from probe.judge.clock_fleet import fleet_of
from probe.judge.clock_state import ClockVerdict
from probe.judge.limit import Interval
from probe.model.finding import WORST_FIRST, Cause, Finding, worst
from probe.model.lineup import Lineup
from probe.present.clock_order import order_document

AUDIT_FORMAT = "buswitness-audit/1"
CLOCK_FORMAT = "buswitness-clock/1"


def audit_document(result: AuditResult, *, record: str, code: str, exit_code: int) -> dict[str, Any]:
    """The object that ``audit --json`` prints. Times are RFC 3339 in UTC; record: path of the record."""
    by_subject: dict[str, list[Finding]] = {}
    for finding in result.findings:
        by_subject.setdefault(finding.subject, []).append(finding)
    return {
        "format": AUDIT_FORMAT,
        "site": result.lineup.map.site,
        "lineup": result.lineup.map.lineup,
        "started": _moment(result.started_wall_ns),
        "finished": _moment(result.finished_wall_ns),
        "complete": result.complete,
        "why_incomplete": result.why_incomplete,
        "requests": result.requests,
        "counts": _counts(result.findings),
        "devices": [_device(result, tag, by_subject.get(tag, [])) for tag in result.scope.tags],
        "left_out": list(result.scope.left_out),
        "findings": [finding_object(finding) for finding in result.findings],
        "causes": [cause_object(cause) for cause in result.causes],
        "clocks": [clock_row(one) for one in result.clocks],
        "record": {"path": record, "code": code},
        "exit_code": int(exit_code),
    }


def cut_off_document(
    lineup: Lineup, *, record: str, code: str, trouble: str, exit_code: int, form: str = AUDIT_FORMAT
) -> dict[str, Any]:
    """The same object for a run that was cut off: no verdicts, and why."""
    return {
        "format": form,
        "site": lineup.map.site,
        "lineup": lineup.map.lineup,
        "complete": False,
        "why_incomplete": trouble or "cut off by the operator",
        "counts": _counts(()),
        "devices": [],
        "findings": [],
        "causes": [],
        "clocks": [],
        "record": {"path": record, "code": code},
        "exit_code": int(exit_code),
    }


def _moment(wall_ns: int) -> str:
    """RFC 3339 UTC with milliseconds."""
    whole, rest = divmod(wall_ns, 1_000_000_000)
    return f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}.{rest // 1_000_000:03d}Z"


def _counts(findings: Sequence[Finding]) -> dict[str, int]:
    return {verdict.value: sum(f.verdict is verdict for f in findings) for verdict in WORST_FIRST}


def _device(result: AuditResult, tag: str, own: Sequence[Finding]) -> dict[str, Any]:
    target = result.lineup.map.target(tag)
    device = result.lineup.map.by_tag[tag]
    return {
        "tag": tag,
        "kind": device.kind.value,
        "section": device.section,
        "address": {"link": target.link, "unit": target.unit, "via": target.gateway or None},
        "verdict": worst([finding.verdict for finding in own]).value,
        "counts": _counts(own),
    }


def finding_object(finding: Finding) -> dict[str, Any]:
    """A finding as every JSON object of the tool shows it."""
    return {
        "id": finding.id,
        "check": finding.check,
        "subject": finding.subject,
        "point": finding.point or None,
        "verdict": finding.verdict.value,
        "title": finding.title,
        "observed": finding.observed,
        "expected": finding.expected,
        "unit": finding.unit,
        "uncertainty": finding.uncertainty,
        "rule": finding.rule,
        "page": finding.page,
        "evidence": list(finding.evidence),
        "advice": finding.advice,
        "cause": finding.cause,
        "danger": finding.danger,
    }


def cause_object(cause: Cause) -> dict[str, Any]:
    """A cause as every JSON object of the tool shows it."""
    return {
        "id": cause.id,
        "kind": cause.kind,
        "subjects": list(cause.subjects),
        "statement": cause.statement,
        "confidence": cause.confidence_permille / 1000,
        "explains": list(cause.explains),
        "fix": cause.fix,
    }


def clock_document(result: AuditResult, *, record: str, code: str, exit_code: int) -> dict[str, Any]:
    """The object that ``clock --json`` prints: that of an audit with the reference and what was assumed."""
    clock = result.lineup.map.clock
    document = audit_document(result, record=record, code=code, exit_code=exit_code)
    reference = {
        "name": clock.reference_words,
        "names": list(clock.reference_texts),
        "tolerance_s": clock.tolerance_s,
        "zone": clock.zone,
    }
    order = order_document(fleet_of((one.tag, one.state) for one in result.clocks))
    return {
        **document,
        "format": CLOCK_FORMAT,
        "reference": reference,
        "drift_bound_ppm": clock.drift_ppm,
        "order": order,
    }


def clock_row(one: ClockVerdict) -> dict[str, Any]:
    """One clock of the list ``clocks``; what could not be measured is null. Seconds, rounded to 1 us."""
    state = one.state
    row: dict[str, Any] = {"tag": one.tag, "verdict": one.verdict.value, "cause": one.cause}
    if state is None:
        empty = (
            "offset_s",
            "low_s",
            "high_s",
            "resolution_s",
            "drift_ppm",
            "leaves_tolerance_s",
            "behaviour",
        )
        return {**row, "readings": 0, **dict.fromkeys(empty)}
    offset = state.offset_s
    return {
        **row,
        "behaviour": state.behaviour.value,
        "offset_s": None if offset is None else round(offset.middle, 6),
        "low_s": None if offset is None else round(offset.low, 6),
        "high_s": None if offset is None else round(offset.high, 6),
        "resolution_s": state.resolution_s,
        "readings": state.readings,
        "torn": state.torn,
        "impossible": state.impossible,
        "marked_invalid": state.marked,
        "stray": state.stray,
        "drift_ppm": _bounds(state.drift_ppm, 1),
        "leaves_tolerance_s": _bounds(state.leaves_s, 0),
    }


def _bounds(interval: Interval | None, digits: int) -> dict[str, float | None] | None:
    """low and high; null for what has no end."""
    if interval is None:
        return None
    pairs = (("low", interval.low), ("high", interval.high))
    return {name: None if isinf(value) else round(value, digits) for name, value in pairs}
