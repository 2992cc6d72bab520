"""The runner itself: what it changes, what it leaves, and the interval of the score."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
import yaml
from scipy.stats import binomtest

from tests.mutation.operators import mutants, mutated
from tests.mutation.score import interval

ROOT = Path(__file__).resolve().parents[2]
TEXT = '''"""Module."""
LIMIT = 3

def inside(value: int, more: bool = False) -> bool:
    """Say it."""
    if more and value < LIMIT:
        raise ValueError
    return not more
'''


def test_each_mutant_changes_one_thing_and_still_compiles() -> None:
    made = mutants("m.py", TEXT)
    texts = {ast.unparse(mutated(TEXT, one)) for one in made}
    assert len(texts) == len(made)
    assert ast.unparse(ast.parse(TEXT)) not in texts
    for text in texts:
        compile(text, "m.py", "exec")


def test_what_is_changed_and_where_it_runs() -> None:
    found = [(one.line, one.what, one.function) for one in mutants("m.py", TEXT)]
    assert found == [
        (2, "3 -> 4", ""),
        (4, "False -> True", ""),
        (6, "condition negated", "inside"),
        (6, "And -> Or", "inside"),
        (6, "Lt -> LtE", "inside"),
        (7, "statement dropped", "inside"),
        (8, "returns None", "inside"),
        (8, "sign or not dropped", "inside"),
    ]


@pytest.mark.parametrize(("hits", "size"), [(47, 60), (60, 60), (0, 7), (91, 100)])
def test_the_interval_is_wilsons(hits: int, size: int) -> None:
    """Independent: scipy's interval of a binomial share."""
    known = binomtest(hits, size).proportion_ci(method="wilson")
    assert interval(hits, size) == pytest.approx((known.low, known.high), abs=1e-6)


def test_each_equivalent_mutant_is_still_there() -> None:
    same = yaml.safe_load((Path(__file__).parent / "equivalent.yaml").read_text(encoding="utf-8"))
    for file, rows in same.items():
        text = (ROOT / file).read_text(encoding="utf-8")
        lines = text.splitlines()
        held = {(lines[one.line - 1].strip(), one.what) for one in mutants(file, text)}
        for row in rows:
            assert (row["line"], row["what"]) in held, (file, row)
            assert row["why"], row
