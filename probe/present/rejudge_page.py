"""Rejudge page: verdicts derived again, and what differs from the recorded ones, with the reason."""

from __future__ import annotations

from itertools import groupby

from probe.model.finding import Finding
from probe.present.page import facts, paragraph
from probe.present.phrase import comparison
from probe.present.record_page import causes, counts, findings_by_device
from probe.present.row import Piece, Row
from probe.present.signs import Signs
from probe.record.content import RecordContent
from probe.record.rederive import Difference, Reason, Rederived
from probe.record.seal import Seal, spoken

#: Differences told one by one; the rest is counted (``--json`` tells all).
MOST = 25


def judged_again(
    content: RecordContent, again: Rederived, width: int, signs: Signs, version: str
) -> list[Row]:
    """All that judging again has to tell, as rows."""
    rows = paragraph(_headline(content, again), width, style=_style(again))
    pairs = [
        ("Recorded by", f"buswitness {content.header.tool_version}"),
        ("Judged by", f"buswitness {version}"),
    ]
    rows += [*facts(pairs, width, indent=2), Row()]
    rows += counts(again.conclusion.findings, width, signs)
    if again.equal:
        return rows
    rows += _differences(again.differences, width, signs)
    rows += causes(again.conclusion.causes, width)
    changed = [one.after for one in again.differences if one.after is not None and one.changes_verdict]
    return rows + findings_by_device(changed, width, signs, {})


def kept(path: str, seal: Seal, width: int) -> list[Row]:
    """Where the new record is, and its code."""
    signed = "" if seal.public else "NOT SIGNED"
    return [Row(), *facts([("Record", path), ("Code", spoken(seal.code)), ("", signed)], width)]


def _headline(content: RecordContent, again: Rederived) -> str:
    if again.equal:
        return "The same verdicts follow from the recorded bytes, word for word."
    if not content.findings:
        return "The run gave no verdicts; these follow from what it recorded."
    if any(one.reason is Reason.NONE for one in again.differences):
        return "Recorded verdicts do NOT follow from the recorded bytes."
    if not again.differences:
        return "The same findings, but other causes."
    return f"{len(again.differences)} findings are not what was recorded."


def _style(again: Rederived) -> str:
    if again.equal:
        return "bold green"
    return "bold red" if any(one.reason is Reason.NONE for one in again.differences) else "bold"


def _differences(items: tuple[Difference, ...], width: int, signs: Signs) -> list[Row]:
    rows: list[Row] = []
    ordered = sorted(items, key=lambda one: (one.reason, not one.changes_verdict))
    for reason, group in groupby(ordered[:MOST], key=lambda one: one.reason):
        rows += [Row(), *paragraph(f"Other: {reason.value}", width, style="bold")]
        for one in group:
            said = f"{_word(one.before, signs)} -> {_word(one.after, signs)}"
            if not one.changes_verdict:
                said += f" (other {', '.join(one.fields)})"
            rows += paragraph(one.id, width, lead=[Piece(f"  {said}  ", "bold")])
            told = [("was", _told(one.before)), ("is", _told(one.after))]
            rows += facts(told, width, indent=6)
    if len(items) > MOST:
        rows += paragraph(f"and {len(items) - MOST} more; --json tells all", width, indent=2)
    return rows


def _word(finding: Finding | None, signs: Signs) -> str:
    return "(none)" if finding is None else signs.verdicts[finding.verdict].word


def _told(finding: Finding | None) -> str:
    if finding is None:
        return ""
    said = comparison(finding)
    return f"{finding.title}: {said}" if said else finding.title
