"""Each check has a page, made from its registration and its note; pictures are drawn, not painted."""

from __future__ import annotations

import importlib.util
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from types import ModuleType

import pytest

from probe.cli.checks_command import note_of
from probe.cli.main import main
from probe.judge.registry import BY_ID
from probe.model.finding import Finding, Verdict

DOCS = Path(__file__).parents[2] / "docs"
ELECTRICAL = [name for name in BY_ID if name.startswith("electrical.")]


def maker() -> ModuleType:
    """docs/make_checks.py, which is no part of the package."""
    spec = importlib.util.spec_from_file_location("make_checks", DOCS / "make_checks.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def made() -> dict[str, str]:
    return dict(maker().files())


def test_pages_and_pictures_are_current(made: dict[str, str]) -> None:
    """Make them anew: python docs/make_checks.py"""
    there = {path.relative_to(DOCS).as_posix() for path in (DOCS / "checks").rglob("*.*")} | {"checks.md"}
    assert there == set(made), "run: python docs/make_checks.py"
    stale = [name for name, text in made.items() if (DOCS / name).read_text("utf-8") != text]
    assert not stale, "run: python docs/make_checks.py"


@pytest.mark.parametrize("name", ELECTRICAL)
def test_every_electrical_check_says_what_it_sees_and_its_tolerance(name: str) -> None:
    note = note_of(name)
    assert "## What it sees" in note
    assert "## Tolerance" in note


def test_every_note_belongs_to_a_check() -> None:
    notes = {path.stem for path in (DOCS.parent / "probe" / "judge" / "notes").glob("*.md")}
    assert notes <= set(BY_ID)


def test_pictures_exist_are_well_formed_and_say_what_they_show(made: dict[str, str]) -> None:
    used = {name for text in made.values() for name in re.findall(r"\(pictures/(\w+)\.svg\)", text)}
    drawn = {Path(name).stem for name in made if name.endswith(".svg")}
    assert used == drawn
    for name in drawn:
        root = ET.fromstring(made[f"checks/pictures/{name}.svg"])
        title = root.find("{http://www.w3.org/2000/svg}title")
        assert title is not None
        assert title.text


def test_a_finding_names_a_page_that_is_there(made: dict[str, str]) -> None:
    for name in BY_ID:
        page = Finding(check=name, subject="52-F1", verdict=Verdict.PASS, title="x").page
        assert page.removeprefix("docs/") in made


def test_the_command_prints_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["checks", "electrical.power"]) == 0
    out = capsys.readouterr().out
    assert "Power fits voltage and current" in out
    assert "Tolerance" in out
    assert "![" not in out


def test_the_command_lists_all_checks(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["checks"]) == 0
    out = capsys.readouterr().out
    assert all(name in out for name in BY_ID)


def test_an_unknown_check_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["checks", "electrical.powr"]) == 2
    assert "electrical.power" in capsys.readouterr().err
