"""Lineups in which something stands behind several findings: the causes that are named, and their words.

The stories (``stories/causes.yaml``) state the causes that must be named and their order; the page
``said/stories.txt`` shows their words, how sure they are, what they explain, and what else does not pass.

``BUSWITNESS_GOLDEN=write .venv/bin/pytest tests/cases/test_said_of_stories.py`` makes the page anew.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from probe.model.finding import Verdict
from tests.cases.said_page import HEAD, parts_of, told

HERE = Path(__file__).parent
PAGE = HERE / "said" / "stories.txt"
WRITE = os.environ.get("BUSWITNESS_GOLDEN") == "write"
STORIES = yaml.safe_load((HERE / "stories" / "causes.yaml").read_text("utf-8"))


def said(story: dict[str, Any], judge: Any) -> str:
    """The causes of a story, and its findings that do not pass; of those untested their titles only."""
    conclusion = judge(story).conclusion
    bad = [f for f in conclusion.findings if f.verdict in (Verdict.FAIL, Verdict.REVIEW)]
    return told([f._replace(advice="") for f in bad], conclusion.causes)


@cache
def page() -> dict[str, str]:
    return parts_of(PAGE.read_text("utf-8"))


@pytest.mark.parametrize("story", STORIES, ids=[story["name"] for story in STORIES])
def test_the_causes_are_those_of_the_story(story: dict[str, Any], judge: Any) -> None:
    causes = judge(story).conclusion.causes
    assert [" ".join((cause.kind, *cause.subjects)) for cause in causes] == story["causes"]


@pytest.mark.parametrize("story", STORIES, ids=[story["name"] for story in STORIES])
def test_what_is_said_of_each_story(story: dict[str, Any], judge: Any) -> None:
    if WRITE:
        pytest.skip("the page is being made")
    assert page()[story["name"]] == said(story, judge)


def test_the_page_holds_just_the_stories(judge: Any) -> None:
    if WRITE:
        text = "".join(f"{HEAD}{story['name']}\n{said(story, judge)}" for story in STORIES)
        PAGE.write_text(text, encoding="utf-8", newline="\n")
    assert sorted(page()) == sorted(story["name"] for story in STORIES)
