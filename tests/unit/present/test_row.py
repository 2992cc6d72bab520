"""Rows: widths in columns of a terminal, cutting and filling."""

from __future__ import annotations

import pytest

from probe.present.row import NO_BREAK, Piece, Row, between, cut, fit, width_of


@pytest.mark.parametrize(
    ("text", "width", "shown"),
    [
        ("52-F3", 8, "52-F3"),
        ("Outside the range", 8, "Outside…"),
        ("Outside the range", 9, "Outside…"),  # no blank before the ellipsis
        ("配電盤 A", 5, "配電…"),  # wide signs take two columns (Unicode East Asian Width, UAX 11)
        (f"5{NO_BREAK}V", 5, "5 V"),
        ("abc", 0, ""),
    ],
)
def test_cut(text: str, width: int, shown: str) -> None:
    assert cut(text, width, "…") == shown


def test_fit_is_exact_for_wide_signs() -> None:
    assert width_of(fit("配電盤", 5, "…")) == 5
    assert fit("ab", 4, "…") == "ab  "


def test_a_steering_sign_never_reaches_the_terminal() -> None:
    assert cut("52\x1b[31m-F3\u202e", 40, "…") == "52<1B>[31m-F3<202E>"


def test_between_leaves_the_right_group_out_where_it_does_not_fit() -> None:
    left, right = [Piece("left")], [Piece("right")]
    assert between(left, right, 12).text == "left   right"
    assert between(left, right, 9).text == "left"


def test_empty_pieces_are_no_part_of_a_row() -> None:
    assert Row([Piece(""), Piece("a")]) == Row([Piece("a")])
