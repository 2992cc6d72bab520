"""Makes docs/fault-matrix.md from the rows in tests/faults/ and the tests that they name.

    python docs/make_fault_matrix.py

A row: ``id``, ``fault``, ``told`` (what the user is told), ``ends`` (exit code, or "same": the fault does
not change it), and what shows it: ``plays`` (by the practice lineup, judged by tests/lab/faults/
test_practice_days.py), ``tests`` (FILE.py::test_name, FILE.py::test_name[parameter], or
FILE.yaml::check/case). ``not_here``: what this machine cannot show, and what was done in its place.
``short``: where the program falls short of what the row might ask. A row that names a test that is not there
is refused.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import yaml

ROOT = Path(__file__).resolve().parents[1]
ROWS = ROOT / "tests" / "faults"
DAYS = "tests/lab/faults/test_practice_days.py::test_the_user_is_told"
#: In the order of the page.
FILES = ("device", "gateway", "network", "computer", "disk", "input", "operator", "schedule", "more")
#: Rows that the customer's matrix has, by letter.
ASKED = {"D": 34, "G": 15, "N": 18, "L": 10, "S": 10, "I": 9, "O": 8, "R": 7}
FIELDS = {"id", "fault", "told", "ends", "plays", "tests", "not_here", "short"}

HEAD = """# Fault matrix

Made by `python docs/make_fault_matrix.py` from `tests/faults/` and the tests themselves; not edited by hand.

What goes wrong at the gear, on the way to it, on this computer and with people, and what the program makes
of it. Each row has automatic tests. **Exit** is the exit code of a run with this fault alone ("same": the
fault does not change it; "killed": there is none). Rows with a star are played by the practice lineup and
audited by the real program: the tests read what the user reads and the exit code, and prove that the record
verifies, that every expected verdict is in it, and that it is judged again to the same. Where the program
falls short of what a row might ask, or this machine cannot show it, the row says so.

    python start.py test -k practice_days          # the rows with a star
    .venv/bin/pytest tests/lab/faults tests/lab/collect/test_gear_faults.py
"""


class Section(NamedTuple):
    """Rows of one kind."""

    title: str
    rows: list[dict[str, Any]]


def sections() -> list[Section]:
    """All rows as they are written down. Raises ValueError for a field that no row has."""
    found = []
    for name in FILES:
        content = yaml.safe_load((ROWS / f"{name}.yaml").read_text(encoding="utf-8"))
        for row in content["rows"]:
            if not set(row) <= FIELDS or not {"id", "fault", "told", "ends"} <= set(row):
                raise ValueError(f"{name}.yaml: row {row.get('id')}: fields {sorted(row)}")
        found.append(Section(content["title"], content["rows"]))
    return found


def rows() -> Iterator[dict[str, Any]]:
    """Every row."""
    for section in sections():
        yield from section.rows


def asked() -> list[str]:
    """Ids that must be there: the customer's 111."""
    return [f"{letter}{number}" for letter, many in ASKED.items() for number in range(1, many + 1)]


def shown_by(row: dict[str, Any]) -> list[str]:
    """Names of the tests that show a row."""
    played = [f"{DAYS}[{row['id']}]"] if row.get("plays") else []
    return played + list(row.get("tests", ()))


def missing(name: str) -> str:
    """Why a test that a row names is not there; empty if it is."""
    file, _, what = name.partition("::")
    path = ROOT / file
    if not path.is_file():
        return f"{file} is not there"
    if path.suffix == ".yaml":
        return "" if what in _cases(path) else f"no case {what} in {file}"
    return "" if what.partition("[")[0] in _functions(path) else f"no test {what} in {file}"


@cache
def _functions(path: Path) -> dict[str, str]:
    """Test functions of a file with the first line of their docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    found = [node for node in ast.walk(tree) if isinstance(node, kinds) and node.name.startswith("test_")]
    return {node.name: (ast.get_docstring(node) or "").split("\n")[0] for node in found}


@cache
def _cases(path: Path) -> set[str]:
    """``check/case`` of a file of cases (tests/cases)."""
    content = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
    groups = content if isinstance(content, list) else [content]
    return {f"{group['check']}/{case['name']}" for group in groups for case in group["cases"]}


def words(name: str) -> str:
    """A test as the page shows it: its file, and its name as the sentence that it is."""
    file, _, what = name.partition("::")
    place = file.removeprefix("tests/").removesuffix(".py").removesuffix(".yaml").replace("/test_", "/")
    return f"`{place}`: {what.removeprefix('test_').replace('_', ' ')}"


def page() -> str:
    """The page. Raises ValueError for a row that names a test that is not there."""
    wrong = [f"{row['id']}: {why}" for row in rows() for name in shown_by(row) if (why := missing(name))]
    if wrong:
        raise ValueError("\n".join(wrong))
    parts = [HEAD, _sum()]
    for section in sections():
        parts += [f"## {section.title}", "", "| | fault | the user is told | exit | shown by |"]
        parts += ["| --- | --- | --- | --- | --- |", *map(_line, section.rows), ""]
    return "\n".join(parts)


def _sum() -> str:
    every = list(rows())
    played = sum(bool(row.get("plays")) for row in every)
    partly = [row["id"] for row in every if row.get("not_here")]
    short = [row["id"] for row in every if row.get("short")]
    tests = len({name for row in every for name in shown_by(row)})
    return (
        f"{len(every)} rows ({len(asked())} asked for), {tests} tests; {played} rows are played by the "
        f"practice lineup. This machine cannot show all of: {', '.join(partly)}. The program falls short of: "
        f"{', '.join(short)}.\n"
    )


def _line(row: dict[str, Any]) -> str:
    told = row["told"]
    if row.get("short"):
        told += f" **Falls short**: {row['short']}"
    if row.get("not_here"):
        told += f" **Not on this machine**: {row['not_here']}"
    star = " ★" if row.get("plays") else ""
    tests = "<br>".join(map(words, shown_by(row)))
    return " | ".join(
        ["| " + row["id"] + star, row["fault"], told, str(row["ends"]), tests.replace("|", "/") + " |"]
    )


if __name__ == "__main__":
    (ROOT / "docs" / "fault-matrix.md").write_text(page() + "", encoding="utf-8")
    sys.stdout.write("docs/fault-matrix.md\n")
