"""Elevation: every device is in the drawing, whatever the size; nothing is wider or higher than asked."""

from __future__ import annotations

import re

import pytest

from probe.present.elevation import Cell, draw
from probe.present.signs import FULL, Lamp

LAMP = Lamp("*", "pass", "", "")


def gear(sections: int, devices: int) -> dict[str, list[str]]:
    return {str(s): [f"52-{s}{chr(65 + d)}" for d in range(devices)] for s in range(1, sections + 1)}


def drawn(sections: dict[str, list[str]], width: int, height: int) -> list[str]:
    def cell(tag: str) -> Cell:
        return Cell(tag, LAMP, "12 ms", "pass")

    rows = draw(sections, cell, lambda tag: LAMP, (width, height), FULL)
    assert len(rows) <= height
    assert all(row.width <= width for row in rows)
    return [row.text for row in rows]


@pytest.mark.parametrize(("width", "height"), [(80, 15), (120, 30), (200, 50), (60, 20), (80, 9)])
def test_all_devices_are_visible(width: int, height: int) -> None:
    """25 devices and more are to be seen at 80x24, which leaves the elevation 15 rows."""
    sections = gear(7, 4)
    text = "\n".join(drawn(sections, width, height))
    lamps = text.count(LAMP.sign)
    assert lamps == 28
    if height >= 12:
        assert all(tag in text for tags in sections.values() for tag in tags)


def test_the_frame_is_straight() -> None:
    rows = drawn(gear(7, 4), 80, 15)
    assert len({len(row) for row in rows}) == 1
    edges = [i for i, sign in enumerate(rows[1]) if sign == "│"]
    assert all(row[i] in "│┼├┤┌┬┐└┴┘" for row in rows for i in edges)


def test_a_tall_section_continues_in_the_next_column() -> None:
    rows = drawn(gear(1, 20), 80, 12)
    assert "1 (more)" in "\n".join(rows)
    assert sum(row.count(LAMP.sign) for row in rows) == 20


def test_hundreds_of_devices_become_lamps() -> None:
    rows = drawn(gear(20, 20), 80, 15)
    assert sum(row.count(LAMP.sign) for row in rows) == 400
    assert not any("┌" in row for row in rows)


def test_thousands_become_counts_and_the_rest_is_told() -> None:
    rows = drawn(gear(200, 20), 80, 15)
    assert re.search(r"\* +20 pass", rows[0])
    assert rows[-1] == "and 186 more sections"


def test_nothing_to_draw() -> None:
    assert drawn({}, 80, 15) == []
    assert drawn(gear(3, 3), 80, 1) != []
