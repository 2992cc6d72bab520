"""The screens of a witness run fit every terminal; what is dangerous and the keys are never left out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from probe.model.finding import Verdict
from probe.present.signs import signs_for
from probe.present.witness.big_type import HEIGHT, big, width_of_big
from probe.present.witness.screen import draw, lines_of
from probe.present.witness.view import Line, Stage, View

VIEW = View(
    stage=Stage.GO,
    lineup="MSB-1",
    procedure="Open and close at the front",
    place="step 1 of 4",
    tag="52-F1",
    title="52-F1: open at the front",
    word="wrong",
    verdict=Verdict.FAIL,
    texts=(("bold", "at the breaker: read the tag on the door aloud, then press OPEN. " * 4),),
    lines=tuple(
        Line(verdict=verdict, title=f"line {n}", expected="becomes open", observed="closed so far")
        for n, verdict in enumerate([None, Verdict.PASS, Verdict.FAIL, Verdict.REVIEW])
    ),
    alarms=("elsewhere: 52-F2 breaker: closed → open",),
    keys=(("Space", "done"), ("x", "STOP, abandon the step"), ("m", "remark"), ("q", "leave")),
    hint="Not seen yet",
)


@pytest.mark.parametrize("size", [(80, 24), (150, 45), (40, 12), (30, 10), (24, 8), (132, 24), (80, 60)])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_it_fits_and_says_what_counts(size: tuple[int, int], encoding: str) -> None:
    width, height = size
    rows = draw(VIEW, 0.0, size, signs_for(encoding, "xterm"))
    assert len(rows) <= height
    assert all(row.width <= width for row in rows), [row.text for row in rows if row.width > width]
    text = " ".join(row.text for row in rows)
    assert "STOP" in text
    assert "done" in text
    if height >= 10:
        assert "ATTENTION" in text
        assert "52-F2" in text


@pytest.mark.parametrize("size", [(80, 24), (150, 45)])
def test_tag_and_word_stand_in_big_type(size: tuple[int, int]) -> None:
    view = replace(VIEW, texts=(("", "Press OPEN."),))
    rows = draw(view, 0.0, size, signs_for("utf-8", "xterm"))
    assert sum("█" in row.text for row in rows) == HEIGHT


def test_what_is_typed_is_shown() -> None:
    view = View(stage=Stage.TYPE, lineup="MSB-1", procedure="P", prompt="Why?", typed="locked by others")
    text = "\n".join(row.text for row in draw(view, 0.0, (80, 24), signs_for("utf-8", "xterm")))
    assert "Why?" in text
    assert "> locked by others" in text


def test_plain_lines_say_the_same() -> None:
    text = "\n".join(lines_of(VIEW))
    for words in ("[go]", "52-F1", "ATTENTION: elsewhere", "x STOP", "fail", "waiting"):
        assert words in text


def test_a_sign_that_cannot_be_drawn_makes_plain_bold_text() -> None:
    assert width_of_big("Pumpe ü") == 0
    assert [row.text for row in big("Pumpe ü", "█", "", 80)] == ["Pumpe ü"]
    assert width_of_big("52-F1") == max(row.width for row in big("52-F1", "█", "", 80))
