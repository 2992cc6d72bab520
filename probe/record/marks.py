"""Marks: notes in the record that say where each device was judged, for judging it again (``rejudge``).

An observer of the run: it is told that a device is done in the same breath in which the device was judged,
so that no evidence comes between verdict and mark.
"""

from __future__ import annotations

from collections.abc import Sequence

from probe.collect.events import AuditResult, Ledger, Phase, RunPlan
from probe.model.clock import RunClock
from probe.model.evidence import JUDGED, Exchange, Note
from probe.model.finding import Finding


class Marks:
    """Keeps a mark for each device that is done; implements ``probe.collect.events.Observer``."""

    def __init__(self, ledger: Ledger, clock: RunClock) -> None:
        self._ledger = ledger
        self._clock = clock

    def run_started(self, plan: RunPlan) -> None:
        """Nothing to mark."""

    def phase(self, tag: str, phase: Phase) -> None:
        """Mark a device that is done. Raises RecordError if that cannot be kept."""
        if phase is Phase.DONE:
            self._ledger.keep(Note(self._clock.now_ns(), JUDGED, tag))

    def exchange(self, exchange: Exchange) -> None:
        """Nothing to mark."""

    def judged(self, tag: str, findings: Sequence[Finding], *, final: bool) -> None:
        """Nothing to mark: devices that the run's end cut off are judged, but not done."""

    def note(self, text: str) -> None:
        """Nothing to mark."""

    def run_finished(self, result: AuditResult) -> None:
        """Nothing to mark."""
