"""How the pages in ``said`` are written: findings and causes as text, cases under their names."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from probe.model.finding import Cause, Finding

HEAD = "=== "


def told(findings: Iterable[Finding], causes: Iterable[Cause]) -> str:
    """What is said of a case: its findings, then its causes."""
    lines = [line for one in findings for line in of_finding(one)]
    lines += [line for one in causes for line in of_cause(one)]
    return "".join(f"{line}\n" for line in lines)


def of_finding(finding: Finding) -> Iterator[str]:
    """Verdict, subject and danger; the texts that are there; the evidence."""
    point = f" #{finding.point}" if finding.point else ""
    yield f"{finding.verdict.value}, {finding.subject}{point}, danger {finding.danger}: {finding.title}"
    for name in ("observed", "expected", "unit", "uncertainty", "advice"):
        if text := getattr(finding, name):
            yield f"    {name}: {text}"
    if finding.evidence:
        yield f"    evidence: {' '.join(map(str, finding.evidence))}"


def of_cause(cause: Cause) -> Iterator[str]:
    """How sure, what, what to do, and what it explains."""
    yield f"cause {cause.id}, {cause.kind}, {cause.confidence_permille} of 1000: {cause.statement}"
    yield f"    subjects: {', '.join(cause.subjects)}"
    yield f"    fix: {cause.fix}"
    yield f"    explains: {' '.join(cause.explains)}"


def parts_of(page: str) -> dict[str, str]:
    """The parts of a page by the name of the case."""
    split = [part.partition("\n") for part in ("\n" + page).split("\n" + HEAD)[1:]]
    return {name: body if not body or body.endswith("\n") else f"{body}\n" for name, _, body in split}
