"""The terminal library's console, with its one habit taken away that would end a run.

When a pipe is closed (``| head``) the library points stdout nowhere and raises SystemExit, which no
``except Exception`` stops: the audit would die with the pipe. Here the closed pipe stays an ordinary error.
"""

from __future__ import annotations

from rich.console import Console


class SteadyConsole(Console):
    """A console whose closed pipe is a BrokenPipeError for the caller to handle."""

    def on_broken_pipe(self) -> None:
        """Raise BrokenPipeError instead of SystemExit."""
        raise BrokenPipeError("the reader of this output has gone")
