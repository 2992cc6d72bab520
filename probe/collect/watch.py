"""Watch: looks after the run itself while devices are asked.

Sees the wall clock stepped (by someone, or because the computer slept), the event loop stalled (times of
replies in that window are too long), and hands the record's lines to the operating system twice a second.
"""

from __future__ import annotations

import asyncio
import contextlib

from probe.collect.journal import Journal, LedgerBroken
from probe.collect.pacing import SECOND_NS
from probe.model.clock import RunClock
from probe.wire.lost_time import LostTime

PERIOD_S = 0.5
STEP_NS = 50_000_000  # a wall clock that gains or loses more than this in one period was set
STALL_S = 0.1  # losing so much at once is worth telling: reply times in that moment are not the gear's
MOST_STALLS = 100  # notes of a computer that never keeps up
DELAY_NS = 100_000_000  # our own part of a reply time that is worth telling
UNSURE_NS = 10_000_000  # the two clocks were not read together


class Watch:
    """State of the watch: how wall time stood against monotonic time at the last look."""

    def __init__(self, journal: Journal, clock: RunClock) -> None:
        self._journal = journal
        self._clock = clock
        self._offset_ns = clock.wall_ns() - clock.now_ns()
        self._looked_ns = clock.now_ns()
        self._latest_ns = 0  # worst lateness of a look
        self._stalls = 0

    async def run(self) -> None:
        """Look every half second until cancelled. Raises LedgerBroken if the record cannot be flushed."""
        with LostTime.of(asyncio.get_running_loop()).listening(self._lost):
            while True:
                await asyncio.sleep(PERIOD_S)
                self.look(round(PERIOD_S * SECOND_NS))
                self._journal.flush()

    def _lost(self, lost_s: float) -> None:
        """Note at once that the loop did not run, before any device is judged by times of that moment."""
        if lost_s < STALL_S or self._stalls == MOST_STALLS:
            return
        self._stalls += 1
        with contextlib.suppress(LedgerBroken):  # the next flush raises it where it can be raised
            self._journal.note(
                "stalled",
                f"this computer was held up for {lost_s:.1f} s; reply times in that window are too long",
                lasted_ns=round(lost_s * SECOND_NS),
            )

    def look(self, period_ns: int = 0) -> None:
        """Compare the clocks once. period_ns: how long ago the last look should have been, 0 if unknown."""
        before_ns = self._clock.now_ns()
        wall_ns = self._clock.wall_ns()
        if self._clock.now_ns() - before_ns > UNSURE_NS:
            return
        late_ns = before_ns - self._looked_ns - period_ns
        if period_ns:
            self._latest_ns = max(self._latest_ns, late_ns)
        self._compare(wall_ns - before_ns)
        self._looked_ns = before_ns

    def close(self) -> None:
        """Tell once how late this computer looked at replies, if that is more than reply times can bear."""
        if self._latest_ns > DELAY_NS:
            self._journal.note(
                "own delay",
                f"this computer looked at replies up to {self._latest_ns / SECOND_NS:.2f} s late, "
                "because it had much else to do; reply times hold that much of its own",
            )

    def _compare(self, offset_ns: int) -> None:
        step_ns = offset_ns - self._offset_ns
        self._offset_ns = offset_ns
        if abs(step_ns) > STEP_NS:
            self._journal.note(
                "clock step",
                f"this computer's clock moved by {step_ns / SECOND_NS:+.3f} s against its monotonic time "
                "(it was set, or the computer slept); clock readings across this moment do not count",
            )
            self._journal.anchor()
