"""Ranges of current in which two bands cross: joined where they touch, apart where they do not."""

from __future__ import annotations

import pytest

from probe.judge.settings.coordination import Overlap, beyond, joined


@pytest.mark.parametrize(
    ("ranges", "result"),
    [
        ([(1, 2), (2, 3)], [(1, 3)]),  # they touch
        ([(2, 3), (1, 2)], [(1, 3)]),  # in any order
        ([(1, 5), (2, 3)], [(1, 5)]),  # one within the other
        ([(1, 2), (2.5, 3)], [(1, 2), (2.5, 3)]),
        ([(1, 2), (2.0001, 3)], [(1, 2), (2.0001, 3)]),
        ([(1000, 2000), (2000.000001, 3000)], [(1000, 3000)]),  # nearer than numbers tell
        ([], []),
    ],
)
def test_joined(ranges: list[tuple[float, float]], result: list[tuple[float, float]]) -> None:
    assert joined([Overlap(*one) for one in ranges]) == tuple(Overlap(*one) for one in result)


@pytest.mark.parametrize(
    ("found", "known", "result"),
    [
        ([(1, 4)], [], [(1, 4)]),
        ([(1, 4)], [(1, 4)], []),
        ([(1, 4)], [(0, 9)], []),
        ([(1, 4)], [(2, 3)], [(1, 2), (3, 4)]),
        ([(1, 4)], [(3, 9)], [(1, 3)]),
        ([(1, 4)], [(0, 2)], [(2, 4)]),
        ([(1, 2), (5, 6)], [(1, 2)], [(5, 6)]),
    ],
)
def test_what_is_found_beyond_what_the_study_has(
    found: list[tuple[float, float]], known: list[tuple[float, float]], result: list[tuple[float, float]]
) -> None:
    seen = beyond([Overlap(*one) for one in found], [Overlap(*one) for one in known])
    told = [amps for one in seen for amps in one]
    assert told == pytest.approx([amps for one in result for amps in one])
