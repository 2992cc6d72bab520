"""Panel: keyboard and screen of a witness run; a live picture where there is a terminal, lines elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from probe.present.dashboard import Dashboard
from probe.present.witness.screen import draw, lines_of
from probe.present.witness.view import View

if TYPE_CHECKING:
    from rich.console import Console

    from probe.model.clock import RunClock
    from probe.present.keys import Keyboard

_DRAW_NS = 100_000_000


class Panel:
    """Shows views and gives keys. A picture that fails is replaced by lines: the work goes on."""

    def __init__(self, console: Console, keyboard: Keyboard, clock: RunClock, *, live: bool) -> None:
        self._console = console
        self._keyboard = keyboard
        self._clock = clock
        self._view: View | None = None
        self._drawn_ns = -_DRAW_NS
        self._told: list[str] = []
        self._live = live
        # The dashboard hands to ``draw`` whatever it was given: here the view.
        self._picture: Any = Dashboard(console, None, draw) if live else None  # type: ignore[arg-type]

    def open(self) -> None:
        """Take the screen."""
        if self._picture is not None:
            self._picture.open()

    def close(self) -> None:
        """Give the screen back; may be called again."""
        if self._picture is not None:
            self._picture.close()

    def poll(self) -> str | None:
        """The next key, None if none was pressed."""
        return self._keyboard.poll()

    def show(self, view: View) -> None:
        """Draw the view if anything changed, at most ten times a second."""
        now_ns = self._clock.now_ns()
        if now_ns - self._drawn_ns < _DRAW_NS and self._view is not None and _alike(self._view, view):
            return
        self._drawn_ns, self._view = now_ns, view
        try:
            if self._picture is not None:
                self._picture.show(view, now_ns / 1e9)
            else:
                self._tell(view)
        except Exception as error:  # noqa: BLE001 - showing must never end the work at the gear
            self._step_down(error)

    def _tell(self, view: View) -> None:
        """Print the lines that are new since the last view of this stage."""
        lines = lines_of(view)
        fresh = [line for line in lines if line not in self._told]
        for line in fresh:
            self._console.print(line, style=None)
        self._told = lines

    def _step_down(self, error: Exception) -> None:
        if self._picture is None:
            return
        self._picture.close()
        self._picture = None
        self._console.print(f"The picture failed ({type(error).__name__}); lines from here on.")


def _alike(one: View, other: View) -> bool:
    """True if people may see the other one a moment later: it asks the same of them."""
    return (one.stage, one.place, one.texts, one.alarms) == (
        other.stage,
        other.place,
        other.texts,
        other.alarms,
    )
