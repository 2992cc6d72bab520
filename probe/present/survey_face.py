"""Survey face: plain lines of what the survey does; there is no grid of devices to draw while it listens."""

from __future__ import annotations

from typing import TYPE_CHECKING

from probe.present.face import Face
from probe.present.plain import Lines

if TYPE_CHECKING:
    from rich.console import Console


class SurveyFace(Face):
    """Implements ``probe.collect.events.Observer``."""

    def __init__(self, console: Console) -> None:
        super().__init__(console, live=False)
        self._lines = SurveyLines(console, self.progress)


class SurveyLines(Lines):
    """The usual lines, with what a survey says at its start."""

    def started(self) -> None:
        """Say that the survey has begun."""
        total = len(self._progress.phases)
        of = f" and {total} device{'s' if total != 1 else ''} of the map" if total else ""
        self.say(f"Surveying the network{of}. Ctrl-C ends it in good order.")


class LossFace(SurveyFace):
    """The face of a link-loss test: while people act, nothing but the test itself speaks."""

    def tick(self, now_s: float) -> None:
        """Nothing: lines of progress would come between a question and its answer."""
