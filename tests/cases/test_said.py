"""What is said of each case, word for word: the pages in ``said``, to be read as a user would read them.

The cases beside this file state verdicts and the parts of a text that matter. The pages hold the rest: every
number, bound and uncertainty, which evidence is named, the advice, how sure a cause is and what it explains.
A page shows what the judge says, and does not prove it right: whoever makes it anew reads the difference.

``BUSWITNESS_GOLDEN=write .venv/bin/pytest tests/cases/test_said.py`` makes the pages anew.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from probe.model.finding import Cause, Finding

HERE = Path(__file__).parent
PAGES = HERE / "said"
HEAD = "=== "
WRITE = os.environ.get("BUSWITNESS_GOLDEN") == "write"


def said(check: str, result: Any) -> str:
    """What a case's page says: the findings of its check, and the causes of all."""
    lines = [line for one in result.findings(check) for line in of_finding(one)]
    conclusion = getattr(result, "conclusion", None)
    lines += [line for one in getattr(conclusion, "causes", ()) for line in of_cause(one)]
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


def page_of(text: str) -> dict[str, str]:
    """The parts of a page by the name of the case."""
    parts = ("\n" + text).split("\n" + HEAD)[1:]
    split = [part.partition("\n") for part in parts]
    return {name: body if not body or body.endswith("\n") else f"{body}\n" for name, _, body in split}


@lru_cache(maxsize=1)
def pages() -> dict[str, str]:
    """All parts of all pages by the name of the case."""
    texts = [path.read_text(encoding="utf-8") for path in sorted(PAGES.glob("*.txt"))]
    return {name: body for text in texts for name, body in page_of(text).items()}


def made_page(path: Path, judge: Any) -> str:
    """The page of a file of cases."""
    text = yaml.safe_load(path.read_text(encoding="utf-8"))
    checks = text if isinstance(text, list) else [text]
    pairs = [(one["check"], case) for one in checks for case in one["cases"]]
    return "".join(f"{HEAD}{check}: {case['name']}\n{said(check, judge(case))}" for check, case in pairs)


def test_what_is_said_of_each_case(check: str, case: dict[str, Any], judge: Any) -> None:
    if WRITE:
        pytest.skip("the pages are being made")
    name = f"{check}: {case['name']}"
    assert pages().get(name, "not there: make the pages anew") == said(check, judge(case))


def test_the_pages_hold_just_the_cases(all_cases: list[tuple[str, dict[str, Any]]], judge: Any) -> None:
    if WRITE:
        PAGES.mkdir(exist_ok=True)
        for path in sorted(HERE.glob("*.yaml")):
            page = made_page(path, judge)
            (PAGES / f"{path.stem}.txt").write_text(page, encoding="utf-8", newline="\n")
    names = [f"{check}: {case['name']}" for check, case in all_cases]
    assert sorted(names) == sorted(pages())
