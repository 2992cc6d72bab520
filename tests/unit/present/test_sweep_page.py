"""The end of ``sweep run``: all of it on 80 x 24, commands never broken, the worst first."""

from __future__ import annotations

import io

import pytest

from probe.model.finding import Verdict
from probe.present.console import console
from probe.present.page import print_rows
from probe.present.signs import ASCII, FULL
from probe.present.sweep_page import MOST, SweepLine, sweep_rows

NEXT = [
    ("buswitness sweep status fleet.yaml", "how every lineup stands"),
    ("buswitness sweep drift fleet.yaml", "what changed since the accepted run"),
]
BAD = SweepLine(
    "msb-1", Verdict.FAIL, opened=2, closed=1, changed=3, open=5, facts=4, word="52-F1: the clock is 3 s late"
)
GOOD = SweepLine("msb-2", Verdict.PASS)
NOT_RUN = SweepLine("msb-3", Verdict.NOT_TESTED, word="failed: the map cannot be used", has_run=False)


def page(*lines: SweepLine, width: int = 80, waits: str = "", signs: object = FULL) -> list[str]:
    stream = io.StringIO()
    rows = sweep_rows(lines, waits, NEXT, width, signs)  # type: ignore[arg-type]
    print_rows(console(stream, width=width), rows)
    return stream.getvalue().splitlines()


def test_each_sweep_has_its_counts_the_worst_first() -> None:
    told = page(GOOD, NOT_RUN, BAD)
    assert told == [
        "",
        "2 of 3 lineups swept   ✗ fail 1   ? not tested 1   ! review 0   ✓ pass 1",
        " ✗  msb-1  2 opened, 1 closed, 3 changed, 5 open; 4 facts changed",
        "           52-F1: the clock is 3 s late",
        " ?  msb-3  failed: the map cannot be used",
        " ✓  msb-2  0 opened, 0 closed, 0 changed, 0 open",
        "Next: buswitness sweep status fleet.yaml  how every lineup stands",
        "      buswitness sweep drift fleet.yaml   what changed since the accepted run",
    ]


def test_what_waits_is_told() -> None:
    told = page(GOOD, waits="2 records wait for the store: nothing answers at the store's address")
    assert " !  2 records wait for the store: nothing answers at the store's address" in told


@pytest.mark.parametrize("width", [40, 80, 110])
@pytest.mark.parametrize("signs", [FULL, ASCII])
def test_forty_lineups_fit_and_commands_stay_whole(width: int, signs: object) -> None:
    many = [SweepLine(f"lineup-with-a-long-name-{n}", Verdict.FAIL, n, word="x " * 90) for n in range(40)]
    told = page(*many, width=width, signs=signs, waits="3 records wait for the store")
    assert len(told) <= 22
    assert f"    and {40 - MOST} more" in told
    assert [line for line in told if "buswitness sweep status fleet.yaml" in line]
    if width >= 80:
        assert max(len(line) for line in told) <= width
