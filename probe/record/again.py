"""Again: what of an older record is still to be done, and how a new record names the old one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from probe.judge.gates import TEACHING
from probe.judge.registry import LINEUP_CHECKS
from probe.judge.repeat import ALL, family_of, read_for
from probe.model.evidence import JUDGED, Note
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.record.content import RecordContent
from probe.record.header import Relation, Source

#: What a punch list is made of, and what a retest repeats.
OPEN = (Verdict.FAIL, Verdict.NOT_TESTED)
_FIRST = ("reach.answers",)
_ACROSS = frozenset(check.id for check in LINEUP_CHECKS)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Retest:
    """What a retest repeats. tags: the devices to ask, in the map's order; checks: as in ``Scope.checks``."""

    tags: tuple[str, ...]
    checks: tuple[str, ...]


def to_retest(content: RecordContent, lineup: Lineup, changed: frozenset[str] = frozenset()) -> Retest:
    """The open findings of a record, and the devices that must be asked for them.

    A device is repeated whole where its identity, its proof, its being alive or its answering is open, for
    then nothing else of it counts; and where the map draws it otherwise now (``changed``). What is for review
    is repeated with what it has its cause in common. Checks that make a verdict on the lineup as a whole and
    had nothing to tell it by are not repeated. lineup: that of the record.
    """
    required = required_of(content)
    open_ = tuple(f for f in open_findings(content) if not _tells_nothing(f, required))
    caused = {one.cause for one in open_ if one.cause}
    open_ += tuple(f for f in content.findings if f.verdict is Verdict.REVIEW and f.cause in caused)
    whole = {f.subject for f in content.findings if _opens_all(f)} & {f.subject for f in open_} | changed
    reach = _Reach(content, lineup)
    checks: dict[str, None] = {}
    asked: set[str] = set(changed)
    for finding in open_:
        needed = reach.of(finding)
        asked |= needed
        if finding.check in _ACROSS and (part := read_for(finding.check)):
            checks.update(dict.fromkeys(f"{part}@{tag}" for tag in sorted(needed)))
        name = ALL if finding.subject in whole and finding.check not in _ACROSS else finding.check
        checks[f"{name}@{finding.subject}"] = None
    checks.update(dict.fromkeys(f"{ALL}@{tag}" for tag in changed))
    tags = tuple(tag for tag in content.header.scope.tags if tag in asked)
    return Retest(tags=tags, checks=tuple(checks))


def _tells_nothing(finding: Finding, required: frozenset[tuple[str, str]]) -> bool:
    """Whether a finding on the lineup as a whole is untested because there is nothing to tell it by.

    No verdict was required of it, and it would draw every device into the retest only to say so again.
    """
    across = finding.check in _ACROSS and finding.subject == "lineup"
    needed = (finding.check, finding.subject) in required or finding.point
    return finding.verdict is Verdict.NOT_TESTED and across and not needed


def _opens_all(finding: Finding) -> bool:
    return finding.verdict is not Verdict.PASS and (finding.check in TEACHING or finding.check in _FIRST)


class _Reach:
    """Which devices a finding needs to be asked again."""

    def __init__(self, content: RecordContent, lineup: Lineup) -> None:
        self._tags = content.header.scope.tags
        self._causes = {cause.id: cause.subjects for cause in content.causes}
        self._map = lineup.map
        self._having: dict[str, set[str]] = {}  # family of checks to the devices that have any
        for one in content.expectations:
            self._having.setdefault(family_of(one.check), set()).add(one.subject)

    def of(self, finding: Finding) -> set[str]:
        """Tags of the record's scope."""
        if finding.check not in _ACROSS and finding.subject in self._tags:
            return {finding.subject}
        family = family_of(finding.check)
        if family == "desk":  # follows from the map alone
            return set()
        if family in ("settings", "clock"):
            return self._having.get(family, set()) & set(self._tags) or set(self._tags)
        if family == "electrical" and finding.subject in self._map.by_tag:
            return self._circuit(finding.subject) & set(self._tags)
        about = {finding.subject, finding.point, *self._causes.get(finding.cause or "", ())}
        return about & set(self._tags) or set(self._tags)

    def _circuit(self, tag: str) -> set[str]:
        """All devices that are fed from each other, the tag among them."""
        near: dict[str, set[str]] = {}
        for device in self._map.devices:
            if device.fed_from:
                near.setdefault(device.tag, set()).add(device.fed_from)
                near.setdefault(device.fed_from, set()).add(device.tag)
        found, new = {tag}, [tag]
        while new:
            new = [one for one in near.get(new.pop(), ()) if one not in found] + new
            found.update(new)
        return found
