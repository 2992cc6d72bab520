"""The screen of a checklist: fits any terminal, and never loses the question, the caution or the keys."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.judge.checklist.answers import states
from probe.model.checklist import Checklist
from probe.model.evidence import AnswerTopic, OperatorAnswer
from probe.model.finding import Verdict
from probe.present.checklist_screen import Typing, View, screen, tally
from probe.present.row import width_of
from probe.present.signs import ASCII, FULL

LIST = Checklist.model_validate(
    {
        "format": "buswitness-checklist/1", "name": "field", "site": "S", "lineup": "L",
        "cautions": {"live": "Live terminals. Measure only if you are qualified for it."},
        "lines": [
            {"id": "a", "about": "52-M1", "place": "1 Incoming, cubicle 1A", "ask": "Is the label right?"},
            {"id": "b", "about": "DC-1", "ask": "Voltage at SW-1", "cautions": ["live"], "photograph": True,
             "measure": {"quantity": "voltage", "at": "SW-1"}},
        ],
    }
)  # fmt: skip


def said(item: str, topic: AnswerTopic, text: str, remark: str = "") -> OperatorAnswer:
    return OperatorAnswer(0, "s", item, "", "", 1, topic, "IMG_1.jpg", text, "AT", remark)


def view(number: int, *answers: OperatorAnswer, **more: object) -> View:
    own = states("s", LIST, enumerate(answers, 5))
    return View(title="L field checklist", number=number, states=own, **more)  # type: ignore[arg-type]


def text(shown: View, width: int = 80, height: int = 24) -> str:
    return "\n".join(row.text for row in screen(shown, width, height, FULL))


def test_a_line_with_its_answer() -> None:
    shown = text(view(1, said("a", AnswerTopic.CONFIRMED, "no", "loose")))
    assert "1/2" in shown.splitlines()[0]
    assert "1 no, 1 open" in shown
    assert "Is the label right?" in shown
    assert "no: loose (AT)" in shown
    assert "y yes   n no   x does not apply" in shown
    assert "common practice, no source" in shown


def test_a_measured_line_says_what_the_desk_says() -> None:
    answers = (said("b", AnswerTopic.VALUE, "19 V"), said("b", AnswerTopic.PHOTOGRAPH, "00 1 bytes"))
    shown = text(view(2, *answers, told=(Verdict.FAIL, "expected 20.4 to 28.8")))
    assert "✗ fail  expected 20.4 to 28.8" in shown
    assert "Photo   IMG_1.jpg" in shown
    assert "v value, or just type it" in shown


def test_what_is_typed_takes_the_place_of_the_keys() -> None:
    shown = text(view(1, typing=Typing(label="What is wrong", text="loo", hint="Enter ends")))
    assert "What is wrong: loo_" in shown
    assert "y yes" not in shown


def test_the_tally_counts_every_line_once() -> None:
    own = states(
        "s",
        LIST,
        enumerate((said("a", AnswerTopic.SKIPPED, "no access"), said("b", AnswerTopic.VALUE, "24 V")), 1),
    )
    assert tally(own) == "1 measured, 1 left out, 0 open"


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 12), (40, 10), (132, 40)])
def test_question_caution_and_keys_are_there_on_a_small_terminal(width: int, height: int) -> None:
    shown = text(view(2, cautions=(("live", LIST.cautions["live"]),)), width, height)
    flat = " ".join(shown.split())
    assert "Voltage at SW-1" in flat
    assert "CAUTION" in flat
    assert "Live terminals." in flat
    assert "a I have read" in flat


@given(
    width=st.integers(20, 140),
    height=st.integers(8, 60),
    number=st.integers(0, 2),
    remark=st.text(max_size=300),
    message=st.text(max_size=200),
    plain=st.booleans(),
)
def test_no_row_is_wider_and_no_screen_higher(
    width: int, height: int, number: int, remark: str, message: str, plain: bool
) -> None:
    shown = view(number, said("a", AnswerTopic.CONFIRMED, "no", remark), message=message)
    rows = screen(shown, width, height, ASCII if plain else FULL)
    assert len(rows) <= height
    assert all(width_of(row.text) <= width for row in rows)
    assert not any(unicodedata.category(sign) in ("Cc", "Cf", "Cs") for row in rows for sign in row.text)
