"""Face: the observer that shows a run while it goes; a live picture, or plain lines without a terminal.

Whatever goes wrong in showing never reaches the run: a picture that fails is closed, told in one line,
and plain lines go on in its place; lines that fail (a closed pipe) are dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from probe.collect.events import AuditResult, Phase, RunPlan
from probe.model.evidence import Exchange
from probe.model.finding import Finding
from probe.present.dashboard import Dashboard
from probe.present.plain import Lines
from probe.present.progress import Progress

if TYPE_CHECKING:
    from rich.console import Console


class Face:
    """Implements ``probe.collect.events.Observer``; ``tick`` redraws, ``close`` gives the terminal back."""

    def __init__(self, console: Console, *, live: bool) -> None:
        self.progress = Progress()
        self._lines: Lines | None = Lines(console, self.progress)
        self._picture: Dashboard | None = Dashboard(console, self.progress) if live else None

    def run_started(self, plan: RunPlan) -> None:
        """Show that the run has begun."""
        self.progress.run_started(plan)
        if self._picture is not None:
            self._guard(self._picture.open)
        elif self._lines is not None:
            self._guard(self._lines.started)

    def phase(self, tag: str, phase: Phase) -> None:
        """Take note of where a device stands; say what became of it once it is done."""
        self.progress.phase(tag, phase)
        if phase is Phase.DONE and self._picture is None and self._lines is not None:
            lines = self._lines
            self._guard(lambda: lines.device(tag))

    def exchange(self, exchange: Exchange) -> None:
        """Count one exchange; the hot path."""
        self.progress.exchange(exchange)

    def judged(self, tag: str, findings: Sequence[Finding], *, final: bool) -> None:
        """Take note of what was said of a device."""
        self.progress.judged(tag, findings, final=final)

    def note(self, text: str) -> None:
        """Show something about the run itself."""
        self.progress.note(text)
        if self._picture is None and self._lines is not None:
            lines = self._lines
            self._guard(lambda: lines.say(text))

    def run_finished(self, result: AuditResult) -> None:
        """Give the terminal back; the summary comes from elsewhere."""
        self.progress.run_finished(result)
        self.close()

    def tick(self, now_s: float) -> None:
        """Redraw if anything changed. now_s: seconds since the run's clock began."""
        if self._picture is not None:
            picture = self._picture
            self._guard(lambda: picture.tick(now_s))
        elif self._lines is not None:
            lines = self._lines
            self._guard(lambda: lines.tick(now_s))

    def stopping(self) -> None:
        """Show that the wish to stop was understood."""
        if self._picture is not None:
            self._picture.stop_asked()
        elif self._lines is not None:
            lines = self._lines
            self._guard(
                lambda: lines.say("Stopping: open requests are being finished. Ctrl-C again cuts off.")
            )

    def close(self) -> None:
        """Give the terminal back whole; may be called again."""
        if self._picture is not None:
            self._picture.close()

    def _guard(self, show: Callable[[], None]) -> None:
        """Show something; a failure takes this way of showing out of the run, never the run with it."""
        try:
            show()
        except Exception as error:  # noqa: BLE001 (an observer must not end the run)
            self._step_down(error)

    def _step_down(self, error: Exception) -> None:
        """From picture to lines, from lines to nothing."""
        if self._picture is None:
            self._lines = None
            return
        self._picture.close()
        self._picture = None
        lines = self._lines
        if lines is not None:
            self._guard(
                lambda: lines.say(f"The live picture failed ({type(error).__name__}); the audit goes on.")
            )
