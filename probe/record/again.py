"""Again: which devices of an older record are still to be done, and how a new record names the old one."""

from __future__ import annotations

from pathlib import Path

from probe.model.evidence import JUDGED, Note
from probe.model.finding import Finding, Verdict
from probe.record.content import RecordContent
from probe.record.header import Relation, Source

#: What a punch list is made of, and what a retest repeats.
OPEN = (Verdict.FAIL, Verdict.NOT_TESTED)


def source_of(content: RecordContent, relation: Relation, path: Path) -> Source:
    """How a new record names this one."""
    return Source(
        relation=relation,
        code=content.code,
        count=content.count,
        file=path.name,
        closed=content.seal is not None,
    )


def unfinished(content: RecordContent) -> tuple[str, ...]:
    """Tags of the record's scope that its run did not get done, in the map's order.

    content: with its evidence.
    """
    notes = content.evidence.get(Note, ())
    done = {note.text for _, note in notes if note.topic == JUDGED}
    return tuple(tag for tag in content.header.scope.tags if tag not in done)


def open_findings(content: RecordContent) -> tuple[Finding, ...]:
    """Findings that fail or are not tested and nobody accepted, without devices left out."""
    settled = {one.finding for one in content.histories if one.disposition == "accepted"}
    left_out = set(content.header.scope.left_out)
    return tuple(
        finding
        for finding in content.findings
        if finding.verdict in OPEN and finding.id not in settled and finding.subject not in left_out
    )


def required_of(content: RecordContent) -> frozenset[tuple[str, str]]:
    """Check and subject of everything that the run had to give a verdict on."""
    return frozenset((one.check, one.subject) for one in content.expectations if one.required)


def to_retest(content: RecordContent) -> tuple[str, ...]:
    """Tags of the devices that the open findings are about, in the map's order.

    What is not tested counts where a verdict is required. A finding on the lineup is about the device that
    it names, those of its cause, or else all.
    """
    required = required_of(content)
    causes = {cause.id: cause.subjects for cause in content.causes}
    tags = content.header.scope.tags
    wanted: set[str] = set()
    for finding in open_findings(content):
        if finding.verdict is Verdict.NOT_TESTED and (finding.check, finding.subject) not in required:
            continue
        about = {finding.subject, finding.point, *causes.get(finding.cause or "", ())} & set(tags)
        wanted |= about or set(tags)
    return tuple(tag for tag in tags if tag in wanted)
