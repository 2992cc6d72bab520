"""Pages: wrapping that never passes the width and loses no word."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from probe.present.page import facts, paragraph, wrap
from probe.present.row import NO_BREAK, Piece, width_of

WORDS = st.text(alphabet="abcdefgh \u914d.,:", max_size=200)


@given(WORDS, st.integers(8, 60))
def test_no_line_is_wider_and_no_letter_is_lost(text: str, width: int) -> None:
    lines = wrap(text, width)
    assert all(width_of(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_value_and_unit_stay_together() -> None:
    assert wrap(f"expected 432 to 528{NO_BREAK}V", 19) == ["expected 432 to", "528 V"]


def test_further_lines_hang_below_the_text() -> None:
    rows = paragraph("one two three", 12, lead=[Piece("! ")], indent=2)
    assert [row.text for row in rows] == ["  ! one two", "    three"]


def test_facts_leave_out_what_has_no_text() -> None:
    rows = facts([("Record", "a.jsonl"), ("Seal", ""), ("Next", "look")], 40)
    assert [row.text for row in rows] == ["Record  a.jsonl", "Next    look"]


def test_text_with_line_ends_becomes_one_paragraph() -> None:
    assert wrap("one\ntwo", 20) == ["one two"]
