"""Times: whether the times of a record can be true at all (their order, and the wall clock's course)."""

from __future__ import annotations

from probe.model.evidence import Anchor, Evidence

#: A wall clock that is slewed by its own time service runs off by at most so much (500 ppm is the usual
#: bound of a disciplined clock; from memory), and one step below this is not called one.
SLEW_PERMILLE = 1
SMALL_STEP_NS = 500_000_000


class Times:
    """Sees all evidence of a record in order; ``doubt`` is then the first thing that cannot be true."""

    def __init__(self) -> None:
        self.doubt = ""
        self.finished_wall_ns = 0
        self._anchor: Anchor | None = None

    def see(self, evidence: Evidence, sequence: int) -> None:
        """Look at one piece of evidence."""
        if isinstance(evidence, Anchor):
            self.finished_wall_ns = evidence.wall_ns
        if self.doubt:
            return
        if isinstance(evidence, Anchor):
            self.doubt = self._see_anchor(evidence, sequence)
            return
        sent = getattr(evidence, "sent_ns", None)
        received = getattr(evidence, "received_ns", None)
        if sent is not None and received is not None and not 0 <= sent <= received:
            self.doubt = f"line {sequence}: the answer is older than the question"

    def _see_anchor(self, anchor: Anchor, sequence: int) -> str:
        before, self._anchor = self._anchor, anchor
        if before is None:
            return ""
        passed = anchor.at_ns - before.at_ns
        if passed < 0:
            return f"line {sequence}: the run's time goes backwards"
        step = anchor.wall_ns - before.wall_ns - passed
        if abs(step) > SMALL_STEP_NS + passed * SLEW_PERMILLE // 1000:
            return f"line {sequence}: the computer's wall clock was stepped by {step / 1e9:+.1f} s in the run"
        return ""
