"""Dashboard: the live picture on a terminal's alternate screen.

Calm by construction: rows are compared with those shown before, and only changed ones are written, at
most at the pace of the ticks. The alternate screen leaves the scrollback alone, so that what was printed
before and the summary after stand where people look for them. Drawing 80x24 costs about a millisecond on
the event loop, so that it does not lengthen the reply times that the loop measures.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import TYPE_CHECKING

from probe.present.picture import picture
from probe.present.progress import Progress
from probe.present.row import Row
from probe.present.signs import signs_for

if TYPE_CHECKING:
    from rich.console import Console, ScreenContext
    from rich.segment import Segment
    from rich.style import Style

#: Seconds after which everything is written anew, to mend what keys typed meanwhile left on the screen.
MEND_S = 3.0


class Dashboard:
    """Draws ``Progress`` on the console between ``open`` and ``close``.

    draw: makes the rows of the screen (as ``picture``) from that progress.
    """

    def __init__(
        self, console: Console, progress: Progress, draw: Callable[..., list[Row]] = picture
    ) -> None:
        self._draw = draw
        self._stopping = False
        self._console = console
        self._progress = progress
        self._signs = signs_for(console.encoding, os.environ.get("TERM", ""))
        self._screen: ScreenContext | None = None
        self._shown: list[Row] = []
        self._size = (0, 0)
        self._mended_s = 0.0
        self._began_s: float | None = None
        self._styles: dict[str, Style] = {}

    def open(self) -> None:
        """Take the alternate screen and hide the cursor."""
        if self._screen is None:
            self._screen = self._console.screen(hide_cursor=True)
            self._screen.__enter__()

    def close(self) -> None:
        """Give screen and cursor back; may be called again."""
        screen, self._screen = self._screen, None
        if screen is not None:
            screen.__exit__(None, None, None)

    def stop_asked(self) -> None:
        """Say so in the next picture, and write all of it: Ctrl-C made the terminal drop what was waiting."""
        self._stopping = True
        self._shown = []

    def tick(self, now_s: float) -> None:
        """Write the rows that changed since the last tick."""
        if self._screen is None:
            return
        if self._began_s is None:
            self._began_s = now_s
        size = (self._console.size.width, self._console.size.height)
        rows = self._draw(self._progress, now_s - self._began_s, size, self._signs, stopping=self._stopping)
        if size != self._size or now_s - self._mended_s >= MEND_S:
            self._size, self._mended_s, self._shown = size, now_s, []
        self._write(rows, size)

    def show(self, shown: Progress, now_s: float) -> None:
        """Draw another thing than was given at the start: what ``draw`` of this dashboard makes rows of."""
        self._progress = shown
        self.tick(now_s)

    def _write(self, rows: list[Row], size: tuple[int, int]) -> None:
        """Write changed rows at their place; rows that are gone become blank."""
        width, height = size
        rows = rows[:height] + [Row()] * (height - len(rows))
        before: list[Row | None] = [*self._shown] or [None] * height
        lines = [
            (number, self._segments(row, width))
            for number, (row, old) in enumerate(zip(rows, before, strict=True))
            if row != old
        ]
        for number, segments in lines:
            self._console.update_screen_lines([segments], 0, number)
        self._shown = rows

    def _segments(self, row: Row, width: int) -> list[Segment]:
        """The row as segments of exactly the width."""
        from rich.segment import Segment

        segments = [Segment(piece.text, self._style(piece.style)) for piece in row]
        return Segment.adjust_line_length(segments, width)

    def _style(self, name: str) -> Style:
        """The parsed style of that name; parsed once."""
        style = self._styles.get(name)
        if style is None:
            from rich.style import Style

            style = self._styles[name] = Style.parse({"frame": "bright_black"}.get(name, name) or "none")
        return style
