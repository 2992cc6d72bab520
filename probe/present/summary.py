"""Summary: what an audit came to, for people: likely causes first, then each device, then what is open.

Verdicts are told in words beside their signs. Advice that sends people to the gear carries its caution
once, at the head of the list, not in every line. Pure but for ``show``.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from probe.collect.events import AuditResult
from probe.judge.wording import AT_THE_GEAR
from probe.model.finding import WORST_FIRST, Cause, Finding, Verdict, worst
from probe.present.console import clean
from probe.present.page import facts, page_width, paragraph, print_rows
from probe.present.phrase import comparison, time_phrase
from probe.present.row import NO_BREAK, Piece, Row
from probe.present.signs import Signs, signs_for

if TYPE_CHECKING:
    from rich.console import Console

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """What stands at the very end. code: the seal's short name, for paper. trouble: why the record is not
    whole. commands: what to type next."""

    record: str
    code: str = ""
    trouble: str = ""
    commands: tuple[str, ...] = ()


def show(console: Console, result: AuditResult, closing: Closing) -> None:
    """Print the summary of a run that came to its end or was stopped in good order."""
    signs = signs_for(console.encoding, os.environ.get("TERM", ""))
    width = page_width(console)
    print_rows(console, [*summary(result, width, signs), *closing_rows(closing, width)])


def show_cut_off(console: Console, closing: Closing) -> None:
    """Print what there is to say of a run without a result."""
    width = page_width(console)
    text = (
        "The audit ended early, because its record could not be continued. There are no verdicts."
        if closing.trouble
        else "The audit was cut off: there are no verdicts. What was seen until then is in the record."
    )
    print_rows(console, [Row(), *paragraph(text, width, style="bold"), *closing_rows(closing, width)])


def summary(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """The summary as rows of at most ``width`` columns."""
    rows = _headline(result, width, signs)
    if any(AT_THE_GEAR in finding.advice for finding in result.findings):
        rows += [Row(), *paragraph(AT_THE_GEAR, width, style="bold")]
    open_findings = [f for f in result.findings if f.verdict in (Verdict.FAIL, Verdict.REVIEW)]
    alike, own = part_alike(open_findings)
    rows += _causes(result, width)
    rows += _alike(alike, width, signs)
    rows += _devices(result, own, width, signs)
    rows += _not_tested(result, width, signs)
    return [*rows, *_counts(result, signs), *_bottom_line(result, width, signs)]


def closing_rows(closing: Closing, width: int) -> list[Row]:
    """The last lines: where the record is, how it is named on paper, what to type next.

    Paths and commands are never broken, whatever the width: people copy them.
    """
    whole = [("Record", closing.record), ("Seal", closing.code)]
    rows = [Row([Piece(f"{name:<9}", "dim"), Piece(clean(text))]) for name, text in whole if text]
    if closing.trouble:
        rows += paragraph(closing.trouble, width, lead=[Piece("Trouble  ", "bold red")])
    names = ["Next", *[""] * len(closing.commands)]
    for name, text in zip(names, closing.commands, strict=False):
        rows.append(Row([Piece(f"{name:<9}", "dim"), Piece(clean(text))]))
    return [Row(), *rows]


def overall(result: AuditResult) -> Verdict:
    """The verdict of the whole: fail, or not tested for what is incomplete, before any pass."""
    found = {finding.verdict for finding in result.findings}
    if Verdict.FAIL in found:
        return Verdict.FAIL
    spoken_of = {finding.subject for finding in result.findings}
    if not result.complete or not spoken_of.issuperset(result.scope.tags):
        return Verdict.NOT_TESTED  # a device without any verdict was not tested, whatever the rest says
    return Verdict.REVIEW if Verdict.REVIEW in found else Verdict.PASS


def _headline(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """What was audited, what it came to, when and how much."""
    verdict = overall(result)
    lamp = signs.verdicts[verdict]
    words = {
        Verdict.FAIL: "something fails",
        Verdict.NOT_TESTED: "incomplete: not everything required was tested",
        Verdict.REVIEW: "nothing fails; a person must look at some of it",
        Verdict.PASS: "nothing fails",
    }
    name = f"{result.lineup.map.lineup}, {result.lineup.map.site}: {words[verdict]}"
    rows = [
        Row(),
        *paragraph(name, width, lead=[Piece(f" {lamp.sign} ", lamp.glow), Piece(" ")], style="bold"),
    ]
    spent = (result.finished_wall_ns - result.started_wall_ns) / 1e9
    tags = len(result.scope.tags)
    rows += paragraph(
        f"{tags} device{'s' if tags != 1 else ''}, {result.requests} requests in {time_phrase(spent)}, "
        f"begun {_moment(result.started_wall_ns)}",
        width,
        indent=4,
    )
    if result.why_incomplete:
        rows += paragraph(f"Incomplete: {result.why_incomplete}", width, indent=4, style="bold")
    return rows


def _moment(wall_ns: int) -> str:
    return f"{datetime.fromtimestamp(wall_ns // 1_000_000_000, UTC):%Y-%m-%d %H:%M:%S} UTC"


def _causes(result: AuditResult, width: int) -> list[Row]:
    """Likely causes, each with how sure it is, what it explains and what mends it."""
    if not result.causes:
        return []
    rows = [Row(), Row([Piece("Likely causes", "bold")])]
    for number, cause in enumerate(result.causes, 1):
        rows += paragraph(
            clean_advice(cause.statement), width, lead=[Piece(f"{number:>3}  ", "bold")], style="bold"
        )
        pairs = [
            ("sure", f"{cause.confidence_permille / 10:.0f} %"),
            ("explains", _explains(cause)),
            ("mend", clean_advice(cause.fix)),
        ]
        rows += facts(pairs, width, indent=5)
    return rows


def _explains(cause: Cause) -> str:
    many = len(cause.explains)
    return (
        f"{many} finding{'s' if many != 1 else ''} on {some(cause.subjects)}"
        if many
        else some(cause.subjects)
    )


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


def _alike(lots: Sequence[Sequence[Finding]], width: int, signs: Signs) -> list[Row]:
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
        rows += facts(pairs, width, indent=14)
    return [Row(), Row([Piece("Alike on several devices", "bold")]), *rows] if rows else []


def _devices(result: AuditResult, findings: Sequence[Finding], width: int, signs: Signs) -> list[Row]:
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
        rows += facts([("do", clean_advice(finding.advice))], width, indent=14)
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


def _not_tested(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """What has no verdict and why, like reasons together, and what the user left out."""
    untested = [finding for finding in result.findings if finding.verdict is Verdict.NOT_TESTED]
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


def _counts(result: AuditResult, signs: Signs) -> list[Row]:
    """How many devices and findings have which verdict."""
    by_subject: dict[str, set[Verdict]] = {tag: set() for tag in result.scope.tags}
    totals = dict.fromkeys(WORST_FIRST, 0)
    for finding in result.findings:
        totals[finding.verdict] += 1
        if finding.subject in by_subject:
            by_subject[finding.subject].add(finding.verdict)
    devices = dict.fromkeys(WORST_FIRST, 0)
    for verdicts in by_subject.values():
        devices[worst(verdicts)] += 1
    rows = [Row(), Row([Piece(f"{'':<16}{'devices':>9}{'findings':>10}", "dim")])]
    for verdict in WORST_FIRST:
        lamp = signs.verdicts[verdict]
        name = [Piece(f" {lamp.sign} ", lamp.glow), Piece(f" {lamp.word:<12}", lamp.ink)]
        rows.append(Row([*name, Piece(f"{devices[verdict]:>9}{totals[verdict]:>10}")]))
    return rows


def _bottom_line(result: AuditResult, width: int, signs: Signs) -> list[Row]:
    """What a long list came to, where the eye is when it ends."""
    verdict = overall(result)
    if verdict is Verdict.PASS:
        return []
    bad = {f.subject for f in result.findings if f.verdict is Verdict.FAIL} & set(result.scope.tags)
    many = len(result.scope.tags)
    text = f"{len(bad)} of {many} device{'s' if many != 1 else ''} fail{'s' if len(bad) == 1 else ''}"
    if verdict is Verdict.NOT_TESTED:
        text = "Not everything required was tested: this is no pass"
    elif verdict is Verdict.REVIEW:
        text = "Nothing fails; a person must look at what says review"
    if result.causes:
        count = len(result.causes)
        text += f"; the list begins with {count} likely cause{'s' if count != 1 else ''}"
    lamp = signs.verdicts[verdict]
    return [Row(), *paragraph(f"{text}.", width, lead=[Piece(f" {lamp.sign} ", lamp.glow), Piece(" ")])]
