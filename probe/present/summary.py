"""Summary: what an audit came to, for people: likely causes first, then each device, then what is open.

Verdicts are told in words beside their signs. Advice that sends people to the gear carries its caution
once, at the head of the list, not in every line. Pure but for ``show``.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from probe.collect.events import AuditResult
from probe.judge.wording import AT_THE_GEAR
from probe.model.finding import WORST_FIRST, Cause, Verdict, worst
from probe.present.console import clean
from probe.present.finding_lists import (
    alike_rows,
    clean_advice,
    device_rows,
    not_tested_rows,
    part_alike,
    some,
)
from probe.present.page import facts, page_width, paragraph, print_rows
from probe.present.phrase import time_phrase
from probe.present.row import Piece, Row
from probe.present.signs import Signs, signs_for

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["Closing", "clean_advice", "closing_rows", "overall", "show", "show_cut_off", "some", "summary"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """What stands at the very end. code: the seal's short name, for paper. signed: by
    which key, or that nobody did. trouble: why the record is not
    whole. commands: what to type next."""

    record: str
    code: str = ""
    signed: str = ""
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
    rows = headline(result, width, signs)
    if any(AT_THE_GEAR in finding.advice for finding in result.findings):
        rows += [Row(), *paragraph(AT_THE_GEAR, width, style="bold")]
    open_findings = [f for f in result.findings if f.verdict in (Verdict.FAIL, Verdict.REVIEW)]
    alike, own = part_alike(open_findings)
    rows += cause_rows(result, width)
    rows += alike_rows(alike, width, signs)
    rows += device_rows(result, own, width, signs)
    rows += not_tested_rows(result, width, signs)
    return [*rows, *_counts(result, signs), *_bottom_line(result, width, signs)]


def closing_rows(closing: Closing, width: int) -> list[Row]:
    """The last lines: where the record is, how it is named on paper, what to type next.

    Paths and commands are never broken, whatever the width: people copy them.
    """
    whole = [("Record", closing.record), ("Seal", closing.code), ("Signed", closing.signed)]
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


def headline(result: AuditResult, width: int, signs: Signs) -> list[Row]:
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


def cause_rows(result: AuditResult, width: int) -> list[Row]:
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
