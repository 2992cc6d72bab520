"""What is said of each case, word for word: the pages in ``said``, to be read as a user would read them.

The cases beside this file state verdicts and the parts of a text that matter. The pages hold the rest: every
number, bound and uncertainty, which evidence is named, the advice, how sure a cause is and what it explains.
A page shows what the judge says, and does not prove it right: whoever makes it anew reads the difference.

``BUSWITNESS_GOLDEN=write .venv/bin/pytest tests/cases/test_said.py`` makes the pages anew.
"""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.cases.said_page import HEAD, parts_of, told

HERE = Path(__file__).parent
PAGES = HERE / "said"
WRITE = os.environ.get("BUSWITNESS_GOLDEN") == "write"


def said(check: str, result: Any) -> str:
    """What a case's page says: the findings of its check, and the causes of all."""
    return told(result.findings(check), getattr(getattr(result, "conclusion", None), "causes", ()))


@lru_cache(maxsize=1)
def pages() -> dict[str, str]:
    """All parts of all pages of cases by the name of the case."""
    paths = [PAGES / f"{path.stem}.txt" for path in sorted(HERE.glob("*.yaml"))]
    return {name: body for path in paths for name, body in parts_of(path.read_text("utf-8")).items()}


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
