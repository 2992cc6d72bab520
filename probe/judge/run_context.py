"""The run's own time: wall time of each instant, steps of this computer's clock, the reference clock.

Made once for a run and shared by the judgements of all devices.
"""

from __future__ import annotations

from probe.judge.reference import reference_of
from probe.model.device_evidence import RunEvidence
from probe.model.evidence import WRONG_BOARD
from probe.model.lineup import Lineup

#: A clock that a time service slews, not steps, moves by at most 500 ppm (from memory: the customary bound).
SLEW_SHARE = 0.000_5
#: What reading two clocks one after the other may cost on a busy computer; common practice, no source.
STEP_NS = 50_000_000


class RunContext:
    """What all devices of a run share."""

    __slots__ = ("_anchor", "lineup", "reference", "run", "step_s", "step_sequences")

    def __init__(self, lineup: Lineup, run: RunEvidence) -> None:
        self.lineup = lineup
        self.run = run
        self._anchor = run.anchors[0][1] if run.anchors else None
        self.step_s, self.step_sequences = _step(run)
        self.reference = reference_of(lineup, run)

    @property
    def wrong_board(self) -> str:
        """Why the run ended itself at another board than the map's; empty if it did not."""
        return next((note.text for _, note in self.run.notes if note.topic == WRONG_BOARD), "")

    def wall_s(self, at_ns: int) -> float | None:
        """Unix seconds that this computer's clock showed at a monotonic instant; None without an anchor."""
        if self._anchor is None:
            return None
        return (self._anchor.wall_ns + at_ns - self._anchor.at_ns) / 1e9


def _step(run: RunEvidence) -> tuple[float, tuple[int, ...]]:
    """Seconds by which this computer's clock was stepped in the run (0: not), and the evidence."""
    notes = tuple(seq for seq, note in run.notes if note.topic == "clock step")
    worst, where = 0.0, notes
    for (seq_a, a), (seq_b, b) in zip(run.anchors, run.anchors[1:], strict=False):
        gap_ns = (b.wall_ns - a.wall_ns) - (b.at_ns - a.at_ns)
        if abs(gap_ns) > STEP_NS + SLEW_SHARE * (b.at_ns - a.at_ns) and abs(gap_ns) > abs(worst * 1e9):
            worst, where = gap_ns / 1e9, (seq_a, seq_b, *notes)
    return (worst, where) if worst or not notes else (float("nan"), notes)
