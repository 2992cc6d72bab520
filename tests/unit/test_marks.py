"""Marks: a note for each device that is done, at the run's time, and for nothing else."""

from __future__ import annotations

from typing import Any

import pytest

from probe.collect.events import Phase
from probe.model.evidence import JUDGED, Note
from probe.record.marks import Marks


class _Kept:
    """A ledger in memory, and a clock that stands still."""

    def __init__(self) -> None:
        self.pieces: list[Any] = []

    def keep(self, evidence: Any) -> int:
        self.pieces.append(evidence)
        return len(self.pieces)

    def now_ns(self) -> int:
        return 77


def test_only_a_device_that_is_done_is_marked() -> None:
    kept = _Kept()
    marks = Marks(kept, kept)  # type: ignore[arg-type]
    for phase in Phase:
        marks.phase("F-01", phase)
    assert kept.pieces == [Note(77, JUDGED, "F-01")]


@pytest.mark.parametrize("final", [True, False])
def test_a_device_that_was_judged_because_the_run_ended_is_not_marked(final: bool) -> None:
    kept = _Kept()
    marks = Marks(kept, kept)  # type: ignore[arg-type]
    marks.judged("F-01", (), final=final)
    marks.note("said")
    assert kept.pieces == []
