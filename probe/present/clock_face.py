"""Clock face: shows a clock run while it goes, as a picture or as plain lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from probe.judge.clock_state import ClockState
from probe.model.finding import Verdict
from probe.present.clock_bar import offset_text
from probe.present.clock_picture import ClockProgress, clock_picture
from probe.present.dashboard import Dashboard
from probe.present.face import Face
from probe.present.phrase import finding_phrase
from probe.present.plain import Lines

if TYPE_CHECKING:
    from rich.console import Console


class ClockFace(Face):
    """Implements ``probe.collect.events.ClockObserver``."""

    def __init__(self, console: Console, *, live: bool) -> None:
        super().__init__(console, live=False)
        progress = ClockProgress()
        self.progress = progress
        self._clocks = progress
        self._lines = ClockLines(console, progress)
        self._picture = Dashboard(console, progress, draw=clock_picture) if live else None

    def clock(self, state: ClockState) -> None:
        """Take note of how well a clock is known now."""
        self._clocks.clock(state)


class ClockLines(Lines):
    """One line a clock that is done, with its offset."""

    def __init__(self, console: Console, progress: ClockProgress) -> None:
        super().__init__(console, progress)
        self._clocks = progress

    def started(self) -> None:
        """Say that the run has begun."""
        total = len(self._progress.phases)
        self.say(f"Measuring {total} clock{'s' if total != 1 else ''}.")

    def device(self, tag: str) -> None:
        """Say what became of a clock: verdict, offset with its uncertainty, readings; and what is wrong."""
        shown = self._progress.shown[tag]
        verdict = shown if isinstance(shown, Verdict) else Verdict.NOT_TESTED
        lamp = self._signs.verdicts[verdict]
        state = self._clocks.states.get(tag)
        text = f"{lamp.sign} {lamp.word:<10} {tag:<10}"
        if state is not None:
            many = state.readings + state.impossible
            text += f" {offset_text(state, self._signs)}, {many} reading{'s' if many != 1 else ''}"
        same = [finding for finding in self._progress.findings.get(tag, ()) if finding.verdict is verdict]
        if verdict is not Verdict.PASS and same:
            text += f" {finding_phrase(max(same, key=lambda finding: finding.danger))}"
        self.say(text.rstrip())
