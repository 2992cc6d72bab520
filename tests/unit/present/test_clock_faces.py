"""Clocks as people see them: bars, the live picture in any size, plain lines, the object for machines."""

from __future__ import annotations

import io
import json
from types import SimpleNamespace
from typing import Any

import pytest
from rich.console import Console

from probe.collect.events import Phase, RunPlan
from probe.judge.clock_state import ClockState, ClockVerdict
from probe.judge.clock_track import Behaviour
from probe.judge.limit import Interval
from probe.model.finding import Verdict
from probe.present.clock_bar import bar, interval_text, offset_text, scale
from probe.present.clock_face import ClockFace
from probe.present.clock_picture import ClockProgress, clock_picture, table
from probe.present.clock_summary import drift_phrase
from probe.present.machine import clock_row
from probe.present.signs import ASCII, FULL, Signs


def state(tag: str = "52-F1", low: float = -0.1, high: float = 0.2, **more: Any) -> ClockState:
    facts: dict[str, Any] = {
        "tag": tag, "resolution_s": 1.0, "tolerance_s": 2.0, "behaviour": Behaviour.STEADY, "readings": 3,
        "offset_s": Interval(low, high), "verdict": Verdict.PASS,
    }  # fmt: skip
    return ClockState(**(facts | more))


def drawn(offset: Interval | None, width: int = 33, signs: Signs = FULL) -> str:
    return "".join(piece.text for piece in bar(offset, 2.0, width, signs, Verdict.PASS))


def test_bar_without_an_offset_shows_the_tolerance() -> None:
    assert drawn(None) == "······│▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒│······"


@pytest.mark.parametrize(
    ("low", "high", "picture"),
    [
        (-0.9, 0.1, "······│▒▒▒▒███████▒▒▒▒▒▒▒▒│······"),
        (-0.01, 0.01, "······│▒▒▒▒▒▒▒▒▒█▒▒▒▒▒▒▒▒▒│······"),
        (1.7, 2.3, "······│▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒████····"),
        (5.0, 5.1, "······│▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒│·····▶"),
        (-9e9, -8e9, "◀·····│▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒│······"),
        (-9.0, 9.0, "█████████████████████████████████"),
    ],
)
def test_bar_shows_where_the_offset_can_lie(low: float, high: float, picture: str) -> None:
    assert drawn(Interval(low, high)) == picture


def test_bar_narrows_with_the_interval() -> None:
    widths = [drawn(Interval(-half, half), 60).count("█") for half in (1.0, 0.5, 0.25, 0.1, 0.01)]
    assert widths == sorted(widths, reverse=True)
    assert widths[0] > 3 * widths[-1]


def test_bar_in_plain_letters() -> None:
    assert set(drawn(Interval(-0.5, 0.5), signs=ASCII)) <= set(".|-#")


def test_scale_names_the_edges_above_their_columns() -> None:
    words = scale(2.0, 33)
    assert words.split() == ["-2", "s", "0", "+2", "s"]
    assert abs(words.index("0") - 16) <= 1


@pytest.mark.parametrize(
    ("interval", "text"),
    [
        (Interval(0.003, 0.021), "+0.012 ± 0.009 s"),
        (Interval(-0.67, 0.37), "-0.15 ± 0.52 s"),
        (Interval(-40.0, -10.0), "-25.0 ± 15.0 s"),
        (Interval(-25_199.93, -25_199.91), "-7 h"),
    ],
)
def test_offsets_have_the_digits_that_they_can_carry(interval: Interval, text: str) -> None:
    assert interval_text(interval, FULL) == text


@pytest.mark.parametrize(
    ("facts", "text"),
    [
        ({"behaviour": Behaviour.STOPPED}, "stands still"),
        ({"behaviour": Behaviour.CACHED}, "from memory"),
        ({"behaviour": Behaviour.UNSETTLED}, "contradicts itself"),
        ({"offset_s": None}, "no reference"),
        ({"readings": 0, "impossible": 2, "offset_s": None}, "no date"),
    ],
)
def test_what_has_no_offset_is_told_in_words(facts: dict[str, Any], text: str) -> None:
    assert offset_text(state(**facts), FULL) == text


def test_no_number_stands_where_readings_contradict() -> None:
    assert not any(sign.isdigit() for sign in offset_text(state(behaviour=Behaviour.UNSETTLED), FULL))


@pytest.fixture
def progress(plan: RunPlan) -> ClockProgress:
    """A run half-way: some clocks done, some being read, some waiting."""
    seen = ClockProgress()
    seen.run_started(plan)
    for number, tag in enumerate(plan.scope.tags):
        if number % 3:
            seen.phase(tag, Phase.IDENTITY)
            seen.clock(state(tag, -0.5, 0.4))
        if number % 3 == 2:
            seen.phase(tag, Phase.DONE)
    return seen


@pytest.mark.parametrize("size", [(80, 24), (120, 50), (200, 60), (40, 12), (30, 8), (20, 3), (80, 1)])
@pytest.mark.parametrize("signs", [FULL, ASCII])
def test_the_picture_fits_every_size(progress: ClockProgress, size: tuple[int, int], signs: Signs) -> None:
    rows = clock_picture(progress, 3.0, size, signs, stopping=False)
    assert len(rows) <= size[1]
    assert max(row.width for row in rows) <= size[0]


def test_what_does_not_fit_is_counted(progress: ClockProgress) -> None:
    text = "\n".join(row.text for row in clock_picture(progress, 3.0, (80, 12), FULL, stopping=False))
    assert "and 18 more" in text
    assert "Ctrl-C" in text


def test_the_picture_grows_with_the_terminal(progress: ClockProgress) -> None:
    pictures = (clock_picture(progress, 3.0, (width, 40), FULL, stopping=False) for width in (80, 160))
    narrow, wide = (next(row.text for row in rows if "█" in row.text) for rows in pictures)
    assert wide.count("█") > narrow.count("█")


def test_the_picture_before_anything_is_known(plan: RunPlan) -> None:
    assert "Getting ready" in clock_picture(ClockProgress(), 0.0, (80, 24), FULL, stopping=False)[0].text


def test_plain_lines_tell_offset_and_readings(plan: RunPlan) -> None:
    stream = io.StringIO()
    face = ClockFace(Console(file=stream, width=80, markup=False, emoji=False, highlight=False), live=False)
    face.run_started(plan)
    tag = plan.scope.tags[0]
    face.clock(state(tag, 0.003, 0.021))
    face.phase(tag, Phase.DONE)
    assert "0.012 ± 0.009 s, 3 readings" in stream.getvalue()
    assert stream.getvalue().startswith(f"Measuring {len(plan.scope.tags)} clocks.")


def test_the_table_at_the_end_has_a_row_for_each_clock() -> None:
    rows = table({"52-F1": (state(), Verdict.PASS), "52-F2": (None, Verdict.NOT_TESTED)}, 2.0, 80, FULL)
    assert len(rows) == 3
    assert "not tested" in rows[2].text
    assert max(row.width for row in rows) <= 80


@pytest.mark.parametrize(
    ("leaves", "text"),
    [
        (Interval(60.0, 90.0), "; leaves the tolerance in 1 min to 1 min 30 s"),
        (
            Interval(60.0, float("inf")),
            "; leaves the tolerance in 1 min at the earliest, if at all",
        ),
        (Interval(float("inf"), float("inf")), "; does not leave the tolerance"),
        (None, ""),
    ],
)
def test_drift_in_words(leaves: Interval | None, text: str) -> None:
    assert drift_phrase(state(drift_ppm=Interval(-120, -100), leaves_s=leaves)) == f"-120 to -100 ppm{text}"


def test_the_row_for_machines_holds_what_the_design_names() -> None:
    found = state(drift_ppm=Interval(-12.04, 3.0), leaves_s=Interval(1e5, float("inf")))
    row = clock_row(ClockVerdict(tag="52-F1", verdict=Verdict.PASS, cause="Clock agrees", state=found))
    named = {
        "tag",
        "offset_s",
        "low_s",
        "high_s",
        "resolution_s",
        "readings",
        "drift_ppm",
        "verdict",
        "cause",
    }
    assert named | {"cause"} <= set(row)
    assert row["offset_s"] == pytest.approx(0.05)
    assert row["drift_ppm"] == {"low": -12.0, "high": 3.0}
    assert row["leaves_tolerance_s"] == {"low": 1e5, "high": None}
    assert json.loads(json.dumps(row, allow_nan=False)) == row


def test_a_clock_that_was_not_read_has_no_numbers() -> None:
    row = clock_row(ClockVerdict(tag="52-F1", verdict=Verdict.NOT_TESTED, cause="why", state=None))
    assert (row["offset_s"], row["low_s"], row["readings"]) == (None, None, 0)


def test_staged_results_have_a_list_of_clocks(plan: RunPlan, staged: SimpleNamespace) -> None:
    from probe.present.machine import audit_document

    assert audit_document(staged.result(plan), record="a", code="", exit_code=0)["clocks"] == []
