"""Breath: how much is done in the event loop's callbacks before it gets to its timers and tasks.

Answers that are taken where they come, with the next request sent at once, keep a loop over thousands of
sockets from ever being done with them: uvloop then looked at its timers 1.4 s late here. So a run follows up
on so many answers in one turn of the loop; the others wake their tasks, which run in the next turn.
"""

from __future__ import annotations

import asyncio

#: Some 10 ms of work: little against the time-outs of gear, much against the cost of a turn.
_AT_ONCE = 400


class Breath:
    """Shared by all links of a run."""

    __slots__ = ("_left", "_most")

    def __init__(self, most: int = _AT_ONCE) -> None:
        self._left = self._most = most

    def take(self) -> bool:
        """True if one more may be done at once; False until the loop has come round."""
        if self._left == self._most:
            asyncio.get_running_loop().call_soon(self._refill)
        if not self._left:
            return False
        self._left -= 1
        return True

    def _refill(self) -> None:
        self._left = self._most
