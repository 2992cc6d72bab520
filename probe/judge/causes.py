"""Likely causes that explain several findings at once."""

from __future__ import annotations

from collections.abc import Sequence

from probe.judge.lineup_context import LineupContext
from probe.model.finding import Cause, Finding


def causes_of(context: LineupContext, found: Sequence[Finding]) -> tuple[Cause, ...]:
    """Causes, the widest first."""
    return ()
