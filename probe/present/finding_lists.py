"""Finding lists: what failed or needs review, and what was not tested, in few words.

Like things are told once: one advice on many devices, many checks stopped by one reason, many findings that
one cause explains. Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from probe.collect.events import AuditResult
from probe.judge.wording import AT_THE_GEAR
from probe.model.finding import WORST_FIRST, Finding, Verdict, worst
from probe.present.page import facts, paragraph
from probe.present.phrase import comparison
from probe.present.row import NO_BREAK, Piece, Row
from probe.present.signs import Signs

_LINEUP = "lineup"
#: Tags that a list names before it counts the rest.
_NAMED = 12
#: Findings of one subject and one cause that are listed.
_EXPLAINED = 3
#: Checks that one reason stopped, listed by name.
_STOPPED = 5
#: Numbers of causes by their id.
Numbers = Mapping[str, int]
#: So many devices with the same finding are told as one.
_ALIKE = 4


def part_alike(findings: Sequence[Finding]) -> tuple[list[list[Finding]], list[Finding]]:
    """Findings of one check with one advice on several devices, each lot together, and all others.

    One setting that is wrong everywhere is one thing to read, not one a device. What has a likely cause
    stays with its device: the cause says it already.
    """
    lots: dict[tuple[str, Verdict, str], list[Finding]] = {}
    for finding in findings:
        if not finding.cause:
            lots.setdefault((finding.check, finding.verdict, finding.advice), []).append(finding)
    alike = [lot for lot in lots.values() if len({finding.subject for finding in lot}) >= _ALIKE]
    joined = {id(finding) for lot in alike for finding in lot}
    return sorted(alike, key=lambda lot: _badness(lot[0])), [f for f in findings if id(f) not in joined]


def alike_rows(lots: Sequence[Sequence[Finding]], width: int, signs: Signs) -> list[Row]:
    """Each lot of like findings: the first one's words, all devices, one advice."""
    rows: list[Row] = []
    for lot in lots:
        first = lot[0]
        lamp = signs.verdicts[first.verdict]
        subjects = tuple(dict.fromkeys(finding.subject for finding in lot))
        same = len({(finding.title, comparison(finding)) for finding in lot}) == 1
        said = comparison(first)
        seen = said if same or not said else f"{first.subject}: {said}"
        rows += paragraph(first.title, width, lead=[Piece(f"{lamp.sign} {lamp.word:<8}", lamp.ink)], indent=4)
        pairs = [("seen", seen), ("on", some(subjects)), ("do", clean_advice(first.advice))]
        pairs.append(("see", f"buswitness checks {first.check}"))
        rows += facts(pairs, width, indent=14)
    return [Row(), Row([Piece("Alike on several devices", "bold")]), *rows] if rows else []


def device_rows(result: AuditResult, findings: Sequence[Finding], width: int, signs: Signs) -> list[Row]:
    """Each subject with a finding of its own, the lineup first, then in the map's order."""
    order = (_LINEUP, *result.scope.tags)
    by_subject: dict[str, list[Finding]] = {subject: [] for subject in order}
    for finding in findings:
        by_subject.setdefault(finding.subject, []).append(finding)
    numbers = {cause.id: number for number, cause in enumerate(result.causes, 1)}
    rows: list[Row] = []
    for subject, own in by_subject.items():
        if own:
            rows += [Row(), _subject_row(result, subject, own, signs)]
            rows += _own_rows(sorted(own, key=_badness), numbers, width, signs)
    return rows


def _own_rows(findings: Sequence[Finding], numbers: Numbers, width: int, signs: Signs) -> list[Row]:
    """A subject's findings; of those that one cause explains only the worst few, and how many more."""
    rows: list[Row] = []
    told: Counter[str] = Counter()
    for finding in findings:
        cause = finding.cause if finding.cause in numbers else None
        if cause is not None:
            told[cause] += 1
            if told[cause] > _EXPLAINED:
                continue
        rows += _finding_rows(finding, numbers, width, signs)
    for cause, many in told.items():
        if many > _EXPLAINED:
            text = f"and {many - _EXPLAINED} more that cause{NO_BREAK}{numbers[cause]} explains"
            rows += paragraph(text, width, indent=14, style="dim")
    return rows


def _subject_row(result: AuditResult, subject: str, findings: Sequence[Finding], signs: Signs) -> Row:
    lamp = signs.verdicts[worst([finding.verdict for finding in findings])]
    device = result.lineup.map.by_tag.get(subject)
    title = subject if device is not None else "The lineup as a whole"
    where = f"  {device.kind.value.replace('-', ' ')}, section {device.section}" if device is not None else ""
    return Row([Piece(f" {lamp.sign} ", lamp.glow), Piece(f" {title}", "bold"), Piece(where, "dim")])


def _finding_rows(finding: Finding, numbers: Numbers, width: int, signs: Signs) -> list[Row]:
    """One finding: verdict and title, then what was seen, what was expected, and what to do."""
    lamp = signs.verdicts[finding.verdict]
    number = numbers.get(finding.cause or "")
    behind = f" (cause{NO_BREAK}{number})" if number else ""
    said = comparison(finding)
    lead = [Piece(f"{lamp.sign} {lamp.word:<8}", lamp.ink)]
    rows = paragraph(finding.title + ("" if said else behind), width, lead=lead, indent=4)
    if said:
        rows += paragraph(said + behind, width, indent=14)
    if finding.advice and not number:
        pairs = [("do", clean_advice(finding.advice)), ("see", f"buswitness checks {finding.check}")]
        rows += facts(pairs, width, indent=14)
    return rows


def _badness(finding: Finding) -> tuple[int, int]:
    return (WORST_FIRST.index(finding.verdict), -finding.danger)


def clean_advice(text: str) -> str:
    """The text without the caution that stands once at the head."""
    return text.replace(AT_THE_GEAR, "").strip()


def some(tags: Sequence[str]) -> str:
    """Up to twelve tags by name, then how many more."""
    named = ", ".join(tags[:_NAMED])
    return named if len(tags) <= _NAMED else f"{named} and {len(tags) - _NAMED} more"


def not_tested_rows(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """What has no verdict and why, like reasons together, and what the user left out."""
    aside = set(result.scope.left_out)  # told in one line of their own
    untested = [f for f in result.findings if f.verdict is Verdict.NOT_TESTED and f.subject not in aside]
    if not untested and not result.scope.left_out:
        return []
    lamp = signs.verdicts[Verdict.NOT_TESTED]
    rows = [Row(), Row([Piece("Not tested, and why", "bold")])]
    for (reason, titles), subjects in _by_reason(untested).items():
        named = "" if subjects == [_LINEUP] else some(subjects)
        rows += paragraph(reason, width, lead=[Piece(f"{lamp.sign} ", lamp.ink)], indent=4)
        rows += facts([("on", named), ("what", _titles(titles))], width, indent=6)
    if result.scope.left_out:
        text = f"Left out as you asked: {some(result.scope.left_out)}"
        rows += paragraph(text, width, lead=[Piece(f"{lamp.sign} ", lamp.ink)], indent=4)
    return rows


def _titles(titles: Sequence[str]) -> str:
    """The first few checks by name, then how many more."""
    named = "; ".join(titles[:_STOPPED])
    return named if len(titles) <= _STOPPED else f"{named}; and {len(titles) - _STOPPED} more checks"


def _by_reason(untested: Sequence[Finding]) -> dict[tuple[str, tuple[str, ...]], list[str]]:
    """Subjects by the reason and the checks that it stopped. Titles read ``what: not tested, reason``."""
    stopped: dict[tuple[str, str], dict[str, None]] = {}
    for finding in untested:
        what, _, reason = finding.title.partition(": not tested, ")
        reason = reason or "no reason given"
        stopped.setdefault((finding.subject, reason), {})[what] = None
    groups: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for (subject, reason), titles in stopped.items():
        groups.setdefault((reason[:1].upper() + reason[1:], tuple(titles)), []).append(subject)
    return groups
