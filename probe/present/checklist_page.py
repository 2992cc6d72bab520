"""Checklist page: what a run of a field checklist came to, as lines for people."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from probe.collect.events import AuditResult
from probe.judge.checklist.answers import LineState
from probe.model.finding import WORST_FIRST, Finding, Verdict
from probe.present.checklist_screen import tally
from probe.record.seal import spoken

#: So many of each are listed; the record holds all. What was not done is mostly seen from the numbers.
MOST = {Verdict.FAIL: 20, Verdict.REVIEW: 10, Verdict.NOT_TESTED: 4}


def closing(
    result: AuditResult, states: Sequence[LineState], record: str, code: str, nexts: Sequence[str]
) -> Iterator[str]:
    """The end of a run: the answers, the verdicts, what is open, the record and what to type next."""
    counts = Counter(finding.verdict for finding in result.findings)
    yield ""
    yield f"Answers  {tally(states)}"
    yield "Verdicts " + ", ".join(f"{counts[verdict]} {verdict.value}" for verdict in WORST_FIRST)
    for verdict in (Verdict.FAIL, Verdict.REVIEW, Verdict.NOT_TESTED):
        yield from _listed([one for one in result.findings if one.verdict is verdict], verdict)
    yield ""
    if not result.complete:
        yield f"INCOMPLETE: {result.why_incomplete}"
    yield f"Record   {record}"
    yield f"Seal     {spoken(code)}"
    for number, text in enumerate(nexts):
        yield f"{'Next     ' if not number else '         '}{text}"


def _listed(findings: Sequence[Finding], verdict: Verdict) -> Iterator[str]:
    if not findings:
        return
    yield ""
    yield verdict.value.capitalize()
    for one in findings[: MOST[verdict]]:
        value = f" [{one.observed} {one.unit}".rstrip() + "]" if one.observed else ""
        yield f"  {one.subject}: {one.title}{value}"
    if len(findings) > MOST[verdict]:
        yield f"  and {len(findings) - MOST[verdict]} more"
