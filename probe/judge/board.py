"""Board: whether a lineup is the one of its map, from the first serial numbers that its devices show.

Another board with the same addresses answers every question, and no answer is worth anything: a run need not
go on. One right serial number settles that it is this board, and so does the number of a neighbour (devices
that changed places). Fewer than three say nothing, for units are exchanged in service; nor do some of many.
"""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.context import DeviceContext
from probe.judge.identity import identity_of
from probe.judge.limit import same_text
from probe.judge.proof import proof_fails
from probe.model.finding import Verdict
from probe.model.lineup import Lineup

#: So many others at least, and half of all that could be told; common practice, no source.
LEAST = 3


def tell_serials(lineup: Lineup, tags: Iterable[str]) -> frozenset[str]:
    """The tags whose serial number is in the map, and whose type tells one."""
    rules = {tag: lineup.profile_of(lineup.map.by_tag[tag]).identity for tag in tags}
    return frozenset(
        tag
        for tag, rule in rules.items()
        if lineup.map.by_tag[tag].identity.serial and "serial" in {*rule.objects, *rule.points}
    )


def is_of_this_board(context: DeviceContext) -> bool | None:
    """True if the device shows a serial number of the map, False for another; None if it tells nothing."""
    said = identity_of(context).get("serial")
    if said is None or not said.text.strip("0 -") or (said.by_register and proof_fails(context)):
        return None
    known = [device.identity.serial for device in context.map.devices if device.identity.serial]
    return any(same_text(said.text, one) is Verdict.PASS for one in known)


def is_another_board(others: int, due: int) -> bool:
    """True if so many other serial numbers, and no right one, tell another board. due: that could be told."""
    return others >= LEAST and 2 * others >= due
