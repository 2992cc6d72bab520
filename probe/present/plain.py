"""Plain lines: what a run shows where no picture can be drawn (a pipe, a log, a simple terminal)."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from probe.model.finding import Verdict
from probe.present.phrase import finding_phrase, time_phrase
from probe.present.progress import Progress
from probe.present.row import cut
from probe.present.signs import signs_for

if TYPE_CHECKING:
    from rich.console import Console

#: Seconds between two lines of progress while no device ends.
EVERY_S = 5.0


class Lines:
    """Prints one line a device done and a line of progress every few seconds."""

    def __init__(self, console: Console, progress: Progress) -> None:
        self._console = console
        self._progress = progress
        self._signs = signs_for(console.encoding, os.environ.get("TERM", ""))
        self._began_s: float | None = None
        self._told_s = 0.0

    def started(self) -> None:
        """Say that the run has begun."""
        total = len(self._progress.phases)
        self.say(f"Auditing {total} device{'s' if total != 1 else ''}.")

    def device(self, tag: str) -> None:
        """Say what became of a device: its verdict and the worst of its findings."""
        shown = self._progress.shown[tag]
        verdict = shown if isinstance(shown, Verdict) else Verdict.NOT_TESTED
        lamp = self._signs.verdicts[verdict]
        same = [finding for finding in self._progress.findings.get(tag, ()) if finding.verdict is verdict]
        text = f"{lamp.sign} {lamp.word:<10} {tag:<10}"
        if verdict is not Verdict.PASS and same:
            text += f" {finding_phrase(max(same, key=lambda finding: finding.danger))}"
            text += f" (and {len(same) - 1} more)" if len(same) > 1 else ""
        self.say(text.rstrip())

    def tick(self, now_s: float) -> None:
        """Say how far the run is if nothing was said for a while."""
        if self._began_s is None:
            self._began_s = self._told_s = now_s
        if now_s - self._told_s < EVERY_S:
            return
        self._told_s = now_s
        self.say(self._standing(now_s - self._began_s))

    def say(self, text: str) -> None:
        """Print one line, as it is, and hand it over at once."""
        from rich.text import Text

        self._console.print(Text(cut(text, 400, self._signs.ellipsis)), soft_wrap=True)
        self._console.file.flush()

    def _standing(self, elapsed_s: float) -> str:
        progress = self._progress
        left = progress.left_s(elapsed_s)
        ending = f"about {time_phrase(left)} left" if left is not None else "longer than planned"
        text = f"  {progress.done} of {len(progress.phases)} done after {time_phrase(elapsed_s)}, {ending}"
        open_tags = progress.unfinished()
        if left is None and open_tags:
            named = ", ".join(open_tags[:4])
            text += f"; waiting for {named}" + (
                f" and {len(open_tags) - 4} more" if len(open_tags) > 4 else ""
            )
        return text
