"""Reading YAML with positions: texts stay as written, what is refused is named with its place."""

from __future__ import annotations

import hashlib

import pytest

from probe.model.document import (
    LIMIT_BYTES,
    LIMIT_DEPTH,
    LIMIT_VALUES,
    Document,
    decode,
    dotted,
    parse,
    shown,
)
from probe.model.errors import InputError, Problem


def problems_of(data: bytes | str) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        parse("x.yaml", data)
    return caught.value.problems


@pytest.mark.parametrize(
    "text", ["0510210600", "09", "NO", "yes", "12:30:45", "1.10", "1e3", "0x1F", "2024-01-02"]
)
def test_every_scalar_stays_as_it_was_written(text: str) -> None:
    assert parse("x.yaml", f"a: {text}\n").values == {"a": text}


def test_each_value_and_key_knows_its_place() -> None:
    document = parse("x.yaml", "a: 1\nb:\n  - c: 2\n    d: [3, 44]\n")
    assert document.place(("a",)) == "x.yaml:1:4"
    assert document.place(("b", 0)) == "x.yaml:3:5"
    assert document.place(("b", 0, "d", 1)) == "x.yaml:4:12"
    spot = document.spot(("b", 0, "d"))
    assert (spot.key_line, spot.key_column, spot.line, spot.column) == (4, 5, 4, 8)


def test_a_path_that_is_not_there_stands_at_its_nearest_parent() -> None:
    document = parse("x.yaml", "a: 1\nb:\n  c: 2\n")
    assert document.place(("b", "missing", 3)) == "x.yaml:3:3"


def test_text_and_hash_are_those_of_the_bytes() -> None:
    data = '\ufeffa: "é"\r\n'.encode()
    document = parse("x.yaml", data)
    assert document.values == {"a": "é"}
    assert document.text.encode() == data
    assert document.sha256 == hashlib.sha256(data).hexdigest()


def test_columns_count_characters_not_bytes() -> None:
    assert parse("x.yaml", "a: {é: 1, b: 2}\n").place(("a", "b")) == "x.yaml:1:14"


def test_both_places_of_a_duplicate_key_are_named() -> None:
    (problem,) = problems_of("a: 1\nb:\n  c: 1\n  d: 2\n  c: 3\n")
    assert (problem.line, problem.column, problem.field) == (5, 3, "b.c")
    assert "line 3, column 3" in problem.what


def test_all_duplicates_are_told_at_once() -> None:
    assert [problem.line for problem in problems_of("a: 1\na: 2\nb: 1\nb: [1]\n")] == [2, 4]


def test_a_key_given_three_times_always_names_the_first() -> None:
    problems = problems_of("a: 1\na: 2\na: 3\n")
    assert ["line 1, column 1" in problem.what for problem in problems] == [True, True]


def test_all_tabs_are_told_at_once() -> None:
    problems = problems_of("a:\n\tb: 1\n  \tc: 2\n")
    assert [(problem.line, problem.column) for problem in problems] == [(2, 1), (3, 3)]


def test_a_tab_behind_a_value_or_in_a_text_is_no_matter() -> None:
    assert parse("x.yaml", "a: 1\t# b\nd: 'x\ty'\n").values == {"a": "1", "d": "x\ty"}


def test_an_alias_bomb_is_refused_at_its_first_anchor() -> None:
    lines = ["a0: &a0 [x, x]"] + [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 30)]
    problems = problems_of("\n".join(lines))
    assert problems[0].found == "&a0"
    assert all("not used here" in problem.what for problem in problems)


def test_nesting_is_bounded_in_both_styles() -> None:
    assert parse("x.yaml", "a: " + "[" * (LIMIT_DEPTH - 1) + "]" * (LIMIT_DEPTH - 1))
    for text in ("a: " + "[" * 100_000, "\n".join("  " * i + f"a{i}:" for i in range(200))):
        assert problems_of(text)[-1].what == "the values are nested too deep"


def test_a_file_of_fifty_megabytes_is_refused_unread() -> None:
    (problem,) = problems_of(b"a: 1\n" * (10 * 1024 * 1024))
    assert problem.what == "the file is too large"
    assert problem.found == "52,428,800 bytes"
    assert f"{LIMIT_BYTES:,}" in problem.allowed


def test_the_number_of_values_is_bounded() -> None:
    (problem,) = problems_of("a:\n" + "- 1\n" * (LIMIT_VALUES + 1))
    assert problem.what == "the file holds too many values"


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "the file is empty"),
        (b"\n# only a comment\n", "the file is empty"),
        (b"\xef\xbb\xbf", "the file is empty"),
        (b"a: 1\0", "this is a binary file, not text"),
        (b"\x89PNG\r\n\x1a\n", "the file is not UTF-8 text"),
        ("a: é".encode("latin-1"), "the file is not UTF-8 text"),
        ("a: 1".encode("utf-16"), "the file is saved as UTF-16"),
        (b"a: \x07", "a control character stands in the file"),
        (b"- a\n- b\n", "the file holds no fields"),
        (b"just text\n", "the file holds no fields"),
        (b"[a, b]: c\n", "a list or group of fields cannot be a field's name"),
    ],
)
def test_what_is_no_document_is_said_plainly(data: bytes, what: str) -> None:
    assert problems_of(data)[0].what == what


def test_the_place_of_a_foreign_byte_is_told() -> None:
    (problem,) = problems_of("a: 1\nb: caf\u00e9\n".encode("latin-1"))
    assert (problem.line, problem.column, problem.found) == (2, 7, "byte 0xE9")


def test_decode_keeps_the_byte_order_mark() -> None:
    assert decode("x", b"\xef\xbb\xbfa") == "\ufeffa"


def test_dotted_paths() -> None:
    assert dotted(("devices", 3, "address", "unit")) == "devices[3].address.unit"
    assert dotted(()) == ""


def test_shown_is_one_short_harmless_line() -> None:
    assert shown("a\x1b[31m\nb") == "a\\x1b[31m\\nb"
    assert len(shown("x" * 500)) == 80
    assert shown({"a": "1"}) == "a group of fields (a)"
    assert shown(["1", "2"]) == "a list of 2"


def test_a_problem_carries_the_facts() -> None:
    document: Document = parse("x.yaml", "a:\n  b: 1\n")
    problem = document.problem(("a", "b"), "wrong", found="1", severity="warning", at_key=True)
    assert str(problem) == "x.yaml:2:3: warning: wrong\n    field    a.b\n    found    1"
