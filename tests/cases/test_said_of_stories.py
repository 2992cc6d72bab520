"""Lineups in which something stands behind several findings: the causes that are named, and their words.

The stories (``stories/causes.yaml``) state the causes that must be named and their order; the page
``said/stories.txt`` shows their words, how sure they are, what they explain, and what else does not pass.
Scenes (``stories/scenes.yaml``) are crowded ones: several things wrong at several places, all told at once.

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
STORIES, SCENES = (yaml.safe_load((HERE / "stories" / f"{name}.yaml").read_text("utf-8"))
                   for name in ("causes", "scenes"))  # fmt: skip


def said(story: dict[str, Any], judge: Any) -> str:
    """The causes of a story, and its findings that fail or need a review; of a scene all that were tested."""
    result = judge(story)
    conclusion = getattr(result, "conclusion", None)
    found = result.said if conclusion is None else conclusion.findings
    if story in SCENES:
        seen = [f for f in found if f.verdict is not Verdict.NOT_TESTED]
    else:
        seen = [f._replace(advice="") for f in found if f.verdict in (Verdict.FAIL, Verdict.REVIEW)]
    return told(seen, () if conclusion is None else conclusion.causes)


@cache
def page() -> dict[str, str]:
    return parts_of(PAGE.read_text("utf-8"))


@pytest.mark.parametrize("story", STORIES, ids=[story["name"] for story in STORIES])
def test_the_causes_are_those_of_the_story(story: dict[str, Any], judge: Any) -> None:
    causes = judge(story).conclusion.causes
    assert [" ".join((cause.kind, *cause.subjects)) for cause in causes] == story["causes"]


@pytest.mark.parametrize("story", [*STORIES, *SCENES], ids=[one["name"] for one in (*STORIES, *SCENES)])
def test_what_is_said_of_each_story(story: dict[str, Any], judge: Any) -> None:
    if WRITE:
        pytest.skip("the page is being made")
    assert page()[story["name"]] == said(story, judge)


def test_the_page_holds_just_the_stories(judge: Any) -> None:
    if WRITE:
        text = "".join(f"{HEAD}{story['name']}\n{said(story, judge)}" for story in (*STORIES, *SCENES))
        PAGE.write_text(text, encoding="utf-8", newline="\n")
    assert sorted(page()) == sorted(story["name"] for story in (*STORIES, *SCENES))
