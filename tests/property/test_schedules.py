"""Any table ends in a map or in plain words; a map that is made without problems is a map."""

from __future__ import annotations

import contextlib
import tempfile
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from probe.collect.spreadsheet import read_sheet
from probe.model.document import parse
from probe.model.errors import InputError
from probe.model.map_draft import read_draft
from probe.model.schedule import understand
from probe.model.schedule_map import make_map
from probe.model.schedule_words import HEADINGS
from probe.model.sheet import Cell, CellKind, Sheet

HEADING = st.sampled_from([words[0] for words in HEADINGS.values()])
WORD = st.sampled_from(
    [
        "F1",
        "F2",
        "M1",
        "GW1",
        "gateway",
        "meter",
        "10.20.1.11",
        "1",
        "3",
        "1600/5",
        "'",
        '"?"',
        "?",
        "a: b",
        "#x",
        "-",
    ]
)
TEXT = WORD | st.text(max_size=10)
KIND = st.sampled_from(list(CellKind))


@st.composite
def sheets(draw: st.DrawFn) -> Sheet:
    headings = ["tag", *draw(st.lists(HEADING, min_size=1, max_size=8))]
    body = draw(st.lists(st.lists(st.tuples(TEXT, KIND), max_size=9), max_size=5))
    rows = [tuple(Cell(text, 1, i) for i, text in enumerate(headings, 1))]
    for number, row in enumerate(body, 2):
        rows.append(tuple(Cell(text.strip(), number, i, kind) for i, (text, kind) in enumerate(row, 1)))
    return Sheet(file="s.csv", rows=tuple(row for row in rows if row))


@given(sheets())
def test_any_table_ends_in_a_map_or_in_plain_words(sheet: Sheet) -> None:
    made, told = None, ()
    try:
        made = make_map(understand(sheet), "out.yaml", ("meter-float",))
    except InputError as error:
        told = error.problems
    assert all(problem.file == "s.csv" for problem in told)
    if made is None:
        return
    parse("out.yaml", made.text)
    for problem in made.problems:
        assert (problem.file, problem.line > 0) == ("s.csv", True)
    if not made.problems and not made.blanks:
        _, problems = read_draft("out.yaml", lambda _: made.text.encode())
        assert problems == ()


@given(st.binary(max_size=120))
def test_any_bytes_end_well(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "s.csv"
        file.write_bytes(b"Tag,Type\n" + data)
        with contextlib.suppress(InputError):
            make_map(understand(read_sheet(file)), "out.yaml", ())
