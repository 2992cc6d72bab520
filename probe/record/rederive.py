"""Rederive: verdicts of a record against those that follow from its evidence now, and why they differ.

Equal is the proof that the recorded verdicts came from the recorded bytes. A difference has a reason that
people can weigh: another version of the checks, another rule, a corrected map or profile; or none, and then
the record's verdicts do not follow from its evidence.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from heapq import merge
from operator import itemgetter
from typing import Any, NamedTuple

from probe.judge import Conclusion, expected
from probe.model.evidence import Evidence, Note
from probe.model.finding import Finding
from probe.model.lineup import Lineup
from probe.record.again import unfinished
from probe.record.content import RecordContent
from probe.record.own_code import own_code
from probe.record.rejudge import judge_again
from probe.record.seal import Seal
from probe.record.writer import RecordWriter


class Reason(StrEnum):
    """Why a verdict is another one now."""

    OTHER_TEXTS = "judged with a corrected map or profile"
    NEW_CHECK = "this version has a check that the other did not have"
    OLD_CHECK = "this version does not have the check any more"
    OTHER_RULE = "the rule is another one in this version"
    OTHER_VERSION = "judged by another version of the tool"
    OTHER_BUILD = "judged by another build of the same version"
    NOT_CLOSED = "the run was killed before it gave verdicts"
    NONE = "no reason known: the recorded verdict does not follow from the recorded bytes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One finding that is not the same. before, after: None where there is none."""

    id: str
    before: Finding | None
    after: Finding | None
    reason: Reason

    @property
    def fields(self) -> tuple[str, ...]:
        """Names of what is not the same, empty where one of the two is not there."""
        if self.before is None or self.after is None:
            return ()
        pairs = zip(Finding._fields, self.before, self.after, strict=True)
        return tuple(name for name, old, new in pairs if old != new)

    @property
    def changes_verdict(self) -> bool:
        """False if only words or digits differ."""
        pair = (self.before, self.after)
        return None in pair or self.before.verdict is not self.after.verdict  # type: ignore[union-attr]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rederived:
    """What follows from a record's evidence now, and how it differs from what the record says.

    causes_differ: the causes are others, whatever the findings say. lineup: what was judged by.
    """

    lineup: Lineup
    conclusion: Conclusion
    differences: tuple[Difference, ...]
    causes_differ: bool

    @property
    def equal(self) -> bool:
        """True if the recorded verdicts came out again, every word."""
        return not self.differences and not self.causes_differ


def rederive(content: RecordContent, lineup: Lineup, *, version: str) -> Rederived:
    """Judge the record's evidence by the lineup, and hold it against what was recorded.

    version: of the tool that judges now.
    """
    conclusion = judge_again(content, lineup)
    return Rederived(
        lineup=lineup,
        conclusion=conclusion,
        differences=_differences(content, lineup, conclusion.findings, version),
        causes_differ=conclusion.causes != content.causes and bool(content.findings),
    )


def _differences(
    content: RecordContent, lineup: Lineup, now: Sequence[Finding], version: str
) -> tuple[Difference, ...]:
    before, after = _by_id(content.findings), _by_id(now)
    checks_before = {finding.check for finding in content.findings}
    checks_after = {finding.check for finding in now}
    differences = []
    for name in dict.fromkeys((*after, *before)):
        old, new = before.get(name), after.get(name)
        if old == new:
            continue
        reason = _reason(content, lineup, version)
        if reason in (Reason.OTHER_VERSION, Reason.OTHER_BUILD):
            reason = _version_reason(old, new, checks_before, checks_after) or reason
        differences.append(Difference(id=name, before=old, after=new, reason=reason))
    return tuple(differences)


def _by_id(findings: Sequence[Finding]) -> Mapping[str, Finding]:
    """Findings by id; further ones with the same id by id and number, so that none is lost."""
    named: dict[str, Finding] = {}
    for finding in findings:
        name, number = finding.id, 1
        while name in named:
            number += 1
            name = f"{finding.id} ({number})"
        named[name] = finding
    return named


def _reason(content: RecordContent, lineup: Lineup, version: str) -> Reason:
    header = content.header
    ours = (lineup.map_texts, lineup.profile_texts, lineup.study_texts)
    if ours != (header.map_texts, header.profile_texts, header.study_texts):
        return Reason.OTHER_TEXTS
    if not content.findings:
        return Reason.NOT_CLOSED
    if header.tool_version != version:
        return Reason.OTHER_VERSION
    return Reason.NONE if header.tool_code in ("", own_code()) else Reason.OTHER_BUILD


def _version_reason(
    old: Finding | None, new: Finding | None, checks_before: set[str], checks_after: set[str]
) -> Reason | None:
    """The closer reason, None if there is none."""
    if old is not None and old.check not in checks_after:
        return Reason.OLD_CHECK
    if new is not None and new.check not in checks_before:
        return Reason.NEW_CHECK
    if old is not None and new is not None and old.rule != new.rule:
        return Reason.OTHER_RULE
    return None


def is_complete(content: RecordContent, conclusion: Conclusion) -> tuple[bool, str]:
    """Whether the run counts as complete with these verdicts, and why not."""
    if content.seal is None:
        return False, "the run was killed before its record was closed"
    notes = content.evidence.get(Note, ())
    stopped = [note.text for _, note in notes if note.topic == "interrupted"]
    if stopped or unfinished(content) or (not content.findings and not content.seal.complete):
        return False, content.seal.reason or (stopped or ["the run was interrupted"])[0]
    missing = conclusion.untested_required
    if not missing:
        return True, ""
    subjects = list(dict.fromkeys(one.subject for one in missing))
    more = f" and {len(subjects) - 5} more" if len(subjects) > 5 else ""
    return False, f"{len(missing)} required verdicts could not be given: {', '.join(subjects[:5])}{more}"


def write(writer: RecordWriter, content: RecordContent, lineup: Lineup) -> tuple[Conclusion, Seal]:
    """Copy the evidence into a new record and judge it there, so that every finding leads to its bytes.

    writer: of a new record whose header is ``header_again``. Raises RecordError.
    """
    scope = content.header.scope
    writer.expect(expected(lineup, scope))
    again = _copied(writer, content)
    conclusion = judge_again(again, lineup)
    writer.conclude(conclusion.findings, conclusion.causes)
    complete, why = is_complete(content, conclusion)
    return conclusion, writer.seal(complete=complete, reason=why)


class _Unknown(NamedTuple):
    """A line of a kind that this version does not know. Any: whatever it holds."""

    kind: str
    body: Mapping[str, Any]


def _copied(writer: RecordWriter, content: RecordContent) -> RecordContent:
    """The content as it stands in the new record, all its evidence written there under new numbers."""
    copied: dict[type, list[tuple[int, Evidence]]] = {}
    renumbered = array("Q", bytes(8 * content.count))
    bulk = content.bulk
    apart = () if bulk is None else bulk.read(bulk.numbers())
    held = sorted((item for items in content.evidence.values() for item in items), key=itemgetter(0))
    unknown = ((number, _Unknown(kind, body)) for number, kind, body in content.others)
    for number, piece, is_held in merge(
        ((*item, True) for item in held),
        ((*item, True) for item in unknown),
        ((*item, False) for item in apart),
        key=itemgetter(0),
    ):
        if isinstance(piece, _Unknown):
            writer.write(piece.kind, piece.body)
            continue
        renumbered[number - 1] = new = writer.keep(piece)
        if is_held:
            copied.setdefault(type(piece), []).append((new, piece))
    if bulk is not None:
        bulk.renumber(renumbered)
    return replace(content, evidence={kind: tuple(items) for kind, items in copied.items()})
