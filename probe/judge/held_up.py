"""Moments in which this computer, not a device, was slow."""

from __future__ import annotations

from probe.judge.context import DeviceContext
from probe.model.evidence import Exchange, Note

STALLED = "stalled"


def stalls_of(context: DeviceContext) -> list[tuple[int, Note]]:
    """Notes, with their numbers, that this computer was held up."""
    return [numbered for numbered in context.run.run.notes if numbered[1].topic == STALLED]


def stall_of(exchange: Exchange, stalls: list[tuple[int, Note]]) -> int:
    """Record number of a stall that the exchange waited through, 0 if there was none."""
    return next(
        (
            seq
            for seq, note in stalls
            if (note.since_ns or note.at_ns) <= exchange.received_ns and exchange.sent_ns <= note.at_ns
        ),
        0,
    )
