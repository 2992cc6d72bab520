"""Tables for other programs: nothing in them is taken for a formula, a key or an escape."""

from __future__ import annotations

import csv
import io
import json
import unicodedata

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from probe.present.table_text import cell, csv_text, json_text, yaml_text

HOSTILE = [
    '=HYPERLINK("http://127.0.0.1")',
    "+1+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1)",
    "\t=1+1",
    "  =1+1",
    "\uff1d1+1",
    "a\r\nb",
    '"quoted"',
    "\x1b[31mred",
    "\u202eevil",
    "no",
    "1e3",
    "{a: b}",
    "- item",
    "# comment",
    "\ud800",
    "Prüfer €\U0001f602",
]


@pytest.mark.parametrize("text", ["-94.144", "+0.5", "12", "0", "-7", "plain", "52-F7", "a=b", ""])
def test_plain_numbers_and_texts_stay_as_they_are(text: str) -> None:
    assert cell(text) == text


@pytest.mark.parametrize("text", HOSTILE[:7])
def test_no_cell_begins_like_a_formula(text: str) -> None:
    assert cell(text).startswith(("'", "<09>"))  # a tab is shown, so nothing follows it at the start


@given(st.text())
def test_whatever_it_is_a_cell_is_no_formula_and_steers_nothing(text: str) -> None:
    made = cell(text)
    assert not [sign for sign in made if unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp")]
    assert not made.lstrip().startswith(("=", "@"))


def test_csv_comes_back_cell_by_cell() -> None:
    rows = [{"a": text, "b": str(number)} for number, text in enumerate(HOSTILE)]
    back = list(csv.DictReader(io.StringIO(csv_text(("a", "b"), rows))))
    assert [(row["a"], row["b"]) for row in back] == [(cell(r["a"]), r["b"]) for r in rows]


@pytest.mark.parametrize("loader", [yaml.SafeLoader, yaml.BaseLoader])
def test_yaml_comes_back_as_text_by_an_independent_reader(loader: type) -> None:
    rows = [{"a": text} for text in HOSTILE]
    back = yaml.load(yaml_text({"site": "no: # x"}, "items", ("a",), rows), Loader=loader)
    wanted = [text.encode("utf-8", "backslashreplace").decode() for text in HOSTILE]
    assert back == {"site": "no: # x", "items": [{"a": text} for text in wanted]}


def test_an_empty_list_is_a_list() -> None:
    assert yaml.safe_load(yaml_text({}, "items", ("a",), [])) == {"items": []}


def test_json_comes_back() -> None:
    rows = [{"a": text} for text in HOSTILE]
    assert json.loads(json_text({"site": "x"}, "items", rows)) == {"site": "x", "items": rows}
