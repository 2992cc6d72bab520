"""A bar with the time left on stderr while a list is worked through; nothing where no one looks."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from typing import TypeVar

from probe.present.console import console, is_live

Item = TypeVar("Item")


def counted(items: Sequence[Item], doing: str) -> Iterator[Item]:
    """The items one by one; on a terminal with a bar. doing: what is done, as ``taking records in``."""
    if not is_live(sys.stderr) or len(items) < 2:
        yield from items
        return
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(doing), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console(sys.stderr), transient=True) as progress:
        task = progress.add_task(doing, total=len(items))
        for item in items:
            yield item
            progress.advance(task)
