"""Punch list and findings as rows of text, for tables of other programs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from probe.model.finding import Finding
from probe.record.again import OPEN, open_findings, required_of
from probe.record.content import RecordContent, lineup_of
from probe.record.header import rfc3339
from probe.record.history import History

COLUMNS = (
    "number",
    "verdict",
    "subject",
    "section",
    "title",
    "observed",
    "expected",
    "unit",
    "uncertainty",
    "danger",
    "advice",
    "cause",
    "fix",
    "required",
    "disposition",
    "accepted_by",
    "accepted_reason",
    "first_failed",
    "rule",
    "id",
)


def punch_list(content: RecordContent) -> list[Mapping[str, str]]:
    """What is still open, the most dangerous first, then in the order of the record.

    Accepted deviations are in it, at the end and marked: they are still there.
    """
    still = {finding.id for finding in open_findings(content)}
    accepted = {one.finding for one in content.histories if one.disposition == "accepted"}
    chosen = [f for f in content.findings if f.id in still or (f.id in accepted and f.verdict in OPEN)]
    required = required_of(content)
    chosen.sort(
        key=lambda f: (
            f.id in accepted,
            f.verdict is not OPEN[0],
            (f.check, f.subject) not in required,
            -f.danger,
        )
    )
    return rows(content, chosen)


def rows(content: RecordContent, findings: Sequence[Finding]) -> list[Mapping[str, str]]:
    """The findings as rows of COLUMNS. number: as ``record show --finding`` takes it."""
    numbers = {finding.id: number for number, finding in enumerate(content.findings, 1)}
    histories = {one.finding: one for one in content.histories}
    causes = {cause.id: cause for cause in content.causes}
    required = required_of(content)
    sections = _sections(content)
    made: list[Mapping[str, str]] = []
    for finding in findings:
        cause = causes.get(finding.cause or "")
        made.append(
            {
                "number": str(numbers[finding.id]),
                "verdict": finding.verdict.value,
                "subject": finding.subject,
                "section": sections.get(finding.subject, ""),
                "title": finding.title,
                "observed": finding.observed,
                "expected": finding.expected,
                "unit": finding.unit,
                "uncertainty": finding.uncertainty,
                "danger": str(finding.danger),
                "advice": finding.advice,
                "cause": "" if cause is None else cause.statement,
                "fix": "" if cause is None else cause.fix,
                "required": "yes" if (finding.check, finding.subject) in required else "no",
                "rule": finding.rule,
                "id": finding.id,
                **_history_cells(finding, histories.get(finding.id)),
            }
        )
    return made


def _history_cells(finding: Finding, history: History | None) -> Mapping[str, str]:
    if history is None:
        return {"disposition": "open" if finding.verdict in OPEN else ""}
    accepted = [one for one in history.accepted if one.covers(finding)]
    failed = [stage for stage in history.stages if stage.verdict is OPEN[0]]
    return {
        "disposition": history.disposition,
        "accepted_by": "; ".join(one.by for one in accepted),
        "accepted_reason": "; ".join(one.reason for one in accepted),
        "first_failed": rfc3339(failed[0].at_wall_ns) if failed else "",
    }


def _sections(content: RecordContent) -> Mapping[str, str]:
    from probe.model.errors import InputError

    if not content.header.map_texts:
        return {}
    try:
        return {device.tag: device.section for device in lineup_of(content.header).map.devices}
    except InputError:  # a map of another version: the table does without
        return {}
