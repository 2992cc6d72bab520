"""Which tags people will confuse, and which are the normal names of a lineup."""

from __future__ import annotations

import pytest

from probe.model.lint_names import suspicious_pairs


@pytest.mark.parametrize(
    "tags",
    [
        tuple(f"F{i}" for i in range(1, 13)),
        ("M1", "M2", "T1", "F1", "F2"),
        ("SW1", "GW1", "UPS1", "PM1", "MC1"),
        ("BUS-A", "BUS-B", "BUSA1"),
        ("MSB1-F1", "MSB1-F2", "MSB2-F1", "MSB2-F2"),
        ("PM-101", "PM-102", "PM-103", "PM-201", "PM-202", "PM-203"),
        ("F12", "F21", "F11", "F22"),
        ("F1", "F1A", "F1B"),
        ("AB-1", "BA-1"),
        ("MAIN", "TIE", "SPARE"),
    ],
)
def test_the_normal_names_of_a_lineup_are_left_in_peace(tags: tuple[str, ...]) -> None:
    assert suspicious_pairs(tags) == []


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("F10", "F1O"),
        ("M1", "Ml"),
        ("M1", "MI"),
        ("MSB1-F1", "msb1-f1"),
        ("F-1", "F1"),
        ("F_1", "F-1"),
        ("F01", "F1"),
        ("FEEDER-1", "FEDER-1"),
        ("FEEDER-1", "FEEDAR-1"),
        ("PUMP-1", "PUPM-1"),
        ("S1", "51"),
        ("SW1-UV", "SW1-UU"),
        ("F1", "F7"),
        ("M1F", "MF1"),
    ],
)
def test_names_that_differ_by_one_slip_are_told(one: str, two: str) -> None:
    assert [pair[:2] for pair in suspicious_pairs((one, two))] == [(one, two)]


def test_a_lone_figure_is_told_only_where_no_family_is_evident() -> None:
    assert suspicious_pairs(("F1", "F7"))
    assert not suspicious_pairs(("F1", "F7", "F3"))
    assert not suspicious_pairs(("F6", "F7"))


def test_each_pair_is_told_once_in_the_order_of_the_map() -> None:
    pairs = suspicious_pairs(("F10", "X", "F1O", "f10"))
    assert [(one, two) for one, two, _ in pairs] == [("F10", "F1O"), ("F10", "f10"), ("F1O", "f10")]


def test_four_thousand_numbered_tags_are_no_warning() -> None:
    assert suspicious_pairs(tuple(f"MSB{i // 40}-F{i % 40}" for i in range(4000))) == []
