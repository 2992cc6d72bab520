"""Outages as intervals: the bounds worked by hand."""

from __future__ import annotations

from probe.judge.network.outage import Numbered, Outage, longest_outage, usual
from probe.model.failover_evidence import Beat, Means

MS = 1_000_000


def beats(*, lost: range = range(0), late: dict[int, int] | None = None, many: int = 60) -> list[Numbered]:
    """A question every 100 ms, answered after 2 ms; lost: numbers without an answer; late: by so many ms."""
    late = late or {}
    return [
        (
            n,
            Beat(
                "ring-1",
                "52-F1",
                "10.77.1.11",
                Means.ECHO,
                100 * n * MS,
                (100 * n + (1000 if n in lost else 2 + late.get(n, 0))) * MS,
                "no answer" if n in lost else "data",
                b"",
                b"",
            ),
        )
        for n in range(many)
    ]


def longest(row: list[Numbered]) -> Outage:
    before = usual([item for item in row if item[0] < 20])
    found = longest_outage(row, before, 2000 * MS, 6000 * MS)
    assert found is not None
    return found


def test_nothing_lost_is_below_the_pace() -> None:
    found = longest(beats())
    assert found.seconds.low == 0
    assert found.lost == 0
    assert found.seconds.high == 0.1  # from one answer to the next


def test_five_lost_questions() -> None:
    """Lost at 3.0 to 3.4 s: at least 400 ms; from the answer at 2.902 to that at 3.502 s: at most 600 ms."""
    found = longest(beats(lost=range(30, 35)))
    assert (found.seconds.low, found.seconds.high) == (0.4, 0.6)
    assert found.lost == 5
    assert found.is_over
    assert found.lines == (29, 30, 34, 35)


def test_one_lost_question_has_no_lower_bound() -> None:
    assert longest(beats(lost=range(30, 31))).seconds == (0.0, 0.2)


def test_a_late_answer_was_out_for_what_it_took_beyond_the_usual() -> None:
    """500 ms late: 500 ms less the slack of 20 ms, at least; to its arrival at 3.502 s, at most 600 ms."""
    found = longest(beats(late={30: 500}))
    assert (found.seconds.low, found.lost) == (0.48, 0)
    assert found.seconds.high == 0.6


def test_a_silence_to_the_end_has_no_upper_bound() -> None:
    found = longest(beats(lost=range(40, 60)))
    assert not found.is_over
    assert found.seconds.low == 1.9
    assert found.seconds.high == float("inf")


def test_an_outage_that_began_before_the_stretch_is_bounded_by_the_answer_before_it() -> None:
    found = longest(beats(lost=range(18, 25)))
    assert found.lost == 5  # those sent in the stretch
    assert found.seconds.high == (2502 - 1702) / 1000


def test_the_worst_of_two_counts() -> None:
    row = beats(lost=range(30, 32))
    row[40:46] = beats(lost=range(40, 46))[40:46]
    assert longest(row).lost == 6


def test_nothing_asked_is_nothing_known() -> None:
    assert longest_outage([], usual([]), 0, 1) is None
