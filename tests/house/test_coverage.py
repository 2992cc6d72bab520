"""docs/coverage.md: thirty items of a complete acceptance, each served by what exists, none open."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(scope="module")
def coverage() -> ModuleType:
    """docs/make_coverage.py, which is no part of the package."""
    spec = importlib.util.spec_from_file_location("make_coverage", DOCS / "make_coverage.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_is_current(coverage: ModuleType) -> None:
    """Make it anew: python docs/make_coverage.py"""
    assert (DOCS / "coverage.md").read_text(encoding="utf-8") == coverage.page()


def test_no_item_is_open(coverage: ModuleType) -> None:
    assert list(coverage.wrong(coverage.items())) == []


@pytest.mark.parametrize(
    "serving",
    [
        "check reach.nothing",
        "witness cold-start/nothing",
        "checklist lineup/nothing",
        "desk nothing",
        "magic x",
        "command record nothing",
        "test tests/house/test_coverage.py::test_of_nothing",
    ],
)
def test_what_is_not_there_is_refused(coverage: ModuleType, serving: str) -> None:
    """So that the tests above can fail."""
    assert not coverage.exists(serving)
    items = coverage.items()
    items[4]["parts"][0]["by"] = [serving]
    found = list(coverage.wrong(items))
    assert any("is not there" in one for one in found)


def test_an_item_without_parts_or_with_tests_alone_is_open(coverage: ModuleType) -> None:
    items = coverage.items()
    items[4]["parts"][0]["by"] = []
    items[7]["parts"] = [{"what": "x", "by": ["test tests/house/test_coverage.py::test_no_item_is_open"]}]
    found = list(coverage.wrong(items))
    assert any("nothing serves" in one for one in found)
    assert any(one.startswith("8 ") and one.endswith("open") for one in found)
    assert any("29 items" in one for one in coverage.wrong(items[:29]))
