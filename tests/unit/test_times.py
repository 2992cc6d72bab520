"""Whether the times of a record can be true: order, and the course of the wall clock.

A disciplined clock is slewed by at most 500 ppm (RFC 5905's usual bound, from memory); one part in a thousand
is allowed here, and half a second beside it.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from probe.model.evidence import Anchor, Disconnect, Echo, Evidence, Note
from probe.record.times import Times

SECOND = 1_000_000_000


def _seen(pieces: Sequence[Evidence]) -> Times:
    times = Times()
    for number, piece in enumerate(pieces, 5):
        times.see(piece, number)
    return times


def test_nothing_seen_leaves_nothing_to_doubt_and_no_end() -> None:
    assert (_seen([]).doubt, _seen([]).finished_wall_ns) == ("", 0)
    assert _seen([Note(1, "a", "b"), Disconnect("h", 1, True, 1)]).finished_wall_ns == 0


@pytest.mark.parametrize(
    ("off_ns", "doubted"),
    [
        (SECOND // 2, False),
        (-SECOND // 2, False),
        (SECOND // 2 + 1, True),
        (-SECOND // 2 - 1, True),
    ],
)
def test_a_step_of_more_than_half_a_second_at_once_is_told(off_ns: int, doubted: bool) -> None:
    times = _seen([Anchor(7, 100 * SECOND), Anchor(7, 100 * SECOND + off_ns)])
    assert bool(times.doubt) is doubted


@pytest.mark.parametrize(("off_ns", "doubted"), [(4_100_000_000, False), (4_100_000_001, True)])
def test_in_an_hour_a_clock_may_run_off_by_what_slewing_can_do(off_ns: int, doubted: bool) -> None:
    """An hour at one in a thousand is 3.6 s."""
    hour = 3600 * SECOND
    times = _seen([Anchor(0, 0), Anchor(hour, hour + off_ns)])
    assert bool(times.doubt) is doubted


def test_each_anchor_is_held_against_the_one_before() -> None:
    """Three steps of 0.4 s are three small ones; and the last anchor ends the run."""
    anchors = [Anchor(0, 0), *(Anchor(n, n * 400_000_000) for n in (1, 2, 3))]
    assert _seen(anchors).doubt == ""
    assert _seen(anchors).finished_wall_ns == 1_200_000_000


def test_a_step_is_told_with_its_line_its_size_and_its_sign() -> None:
    back = _seen([Anchor(0, 10 * SECOND), Anchor(SECOND, 9 * SECOND)])
    assert back.doubt == "line 6: the computer's wall clock was stepped by -2.0 s in the run"
    assert _seen([Anchor(5, 0), Anchor(4, 0)]).doubt == "line 6: the run's time goes backwards"
    assert _seen([Anchor(5, 0), Anchor(5, 0)]).doubt == ""


@pytest.mark.parametrize(
    ("sent", "received", "doubted"), [(0, 0, False), (5, 5, False), (5, 4, True), (-1, 4, True)]
)
def test_an_answer_comes_after_its_question_within_the_run(sent: int, received: int, doubted: bool) -> None:
    times = _seen([Echo("127.0.0.1", "F-01", sent, received, True)])
    assert times.doubt == ("line 5: the answer is older than the question" if doubted else "")


def test_the_first_doubt_stays_and_the_end_is_still_found() -> None:
    times = _seen(
        [Echo("h", "t", 5, 4, True), Anchor(0, 0), Anchor(1, 99 * SECOND), Echo("h", "t", 9, 1, True)]
    )
    assert times.doubt == "line 5: the answer is older than the question"
    assert times.finished_wall_ns == 99 * SECOND
