"""Moments in which this computer, not a device, was slow."""

from __future__ import annotations

from probe.judge.context import DeviceContext

STALLED = "stalled"
LOOK_NS = 1_000_000_000  # a stall is noted at the watch's next look, half a second later and more when busy


def stall_within(context: DeviceContext, first_ns: int, last_ns: int) -> int:
    """Record number of a note that this computer was held up in this span (run's nanoseconds); 0 without."""
    return next(
        (
            seq
            for seq, note in context.run.run.notes
            if note.topic == STALLED and first_ns <= note.at_ns <= last_ns + LOOK_NS
        ),
        0,
    )
