"""The fault matrix: every row that was asked for is there, has tests that exist, or says why it has none."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def matrix() -> ModuleType:
    """docs/make_fault_matrix.py, which is no part of the package."""
    spec = importlib.util.spec_from_file_location("make_fault_matrix", ROOT / "docs" / "make_fault_matrix.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_is_current(matrix: ModuleType) -> None:
    """Make it anew: python docs/make_fault_matrix.py"""
    assert (ROOT / "docs" / "fault-matrix.md").read_text(encoding="utf-8") == matrix.page()


def test_every_row_that_was_asked_for_is_there_once(matrix: ModuleType) -> None:
    ids = Counter(row["id"] for row in matrix.rows())
    assert len(matrix.asked()) == 111
    assert [name for name in matrix.asked() if name not in ids] == []
    assert [name for name, times in ids.items() if times != 1] == []


def test_every_row_has_a_test_or_a_reason(matrix: ModuleType) -> None:
    assert [row["id"] for row in matrix.rows() if not matrix.shown_by(row) and not row.get("not_here")] == []


def test_every_test_that_a_row_names_is_there(matrix: ModuleType) -> None:
    wrong = [
        f"{row['id']}: {why}"
        for row in matrix.rows()
        for one in matrix.shown_by(row)
        if (why := matrix.missing(one))
    ]
    assert wrong == []
    assert matrix.missing("tests/house/test_fault_matrix.py::test_of_nothing")
    assert matrix.missing("tests/cases/reach.yaml::reach.answers/of nothing")


def test_every_parameter_that_a_row_names_is_collected(matrix: ModuleType) -> None:
    """Asked of pytest itself, for the few files of which single parameters are named."""
    named = {one for row in matrix.rows() for one in matrix.shown_by(row) if one.endswith("]")}
    files = sorted({one.partition("::")[0] for one in named})
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider", *files],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=300,
        check=False,
    )
    assert named - set(ran.stdout.splitlines()) == set(), ran.stdout[-2000:] + ran.stderr


def test_exit_codes_are_those_of_the_program(matrix: ModuleType) -> None:
    wrong = {
        row["id"]: row["ends"]
        for row in matrix.rows()
        if str(row["ends"]) not in {"0", "1", "2", "3", "4", "same", "killed"}
    }
    assert wrong == {}


def test_rows_of_the_notes_are_those_of_the_matrix(matrix: ModuleType) -> None:
    """Held against the notes that the matrix was asked for in, where they are at hand."""
    notes = ROOT.parent / "shared" / "pains.md"
    if not notes.is_file():
        pytest.skip("the project's notes are not at hand")
    text = notes.read_text(encoding="utf-8").partition("## Fault matrix")[2]
    assert set(re.findall(r"^\| ([A-Z]\d+) \|", text, re.MULTILINE)) == set(matrix.asked())
