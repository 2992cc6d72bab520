"""Hold: never two runs that ask the same gear from this computer; the second one is told who is at it.

Two pollers load gear that bears one connection, and each spoils the other's verdicts. A practice lineup is
nobody else's and needs no lock.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from probe.model.errors import BusyError, Problem
from probe.present.console import say

if TYPE_CHECKING:
    from probe.collect.lineup_lock import Hold, Holder
    from probe.model.device_map import DeviceMap


@contextmanager
def holding(device_map: DeviceMap, work: str, *, practice: bool = False) -> Iterator[None]:
    """Hold the lineup while it is asked. work: what for, in words for whoever comes second.

    Raises BusyError if another process of this user holds it, before anything is asked.
    """
    if practice:
        yield
        return
    from probe.collect.lineup_lock import LineupBusy, at_the_gear

    with ExitStack() as held:
        try:
            hold = held.enter_context(at_the_gear(device_map, work))
        except LineupBusy as busy:
            raise BusyError(_problem(device_map, busy.holder)) from None
        _tell(hold)
        yield


def _tell(hold: Hold) -> None:
    if hold.dead is not None:
        died = f"process {hold.dead.pid} ({hold.dead.work}, since {hold.dead.since})"
        say(f"An earlier run on this lineup died: {died}. It holds nothing any more.", error=True)
    if hold.trouble:
        say(f"No lock: {hold.trouble}. See that nobody else asks this lineup meanwhile.", error=True)


def _problem(device_map: DeviceMap, holder: Holder | None) -> Problem:
    who = f"process {holder.pid}: {holder.work}, since {holder.since}" if holder else "who cannot be told"
    return Problem(
        file=f"{device_map.lineup}, {device_map.site}",
        what="another run on this computer asks this lineup; nothing was asked by this one",
        found=who,
        remedy="wait until it has ended, or end it where it runs (Ctrl-C seals its record), then repeat this",
    )
