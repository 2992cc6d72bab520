"""Load of a link: the share of its speed that frames, their preambles and gaps took."""

from __future__ import annotations

from probe.judge.limit import Interval
from probe.judge.network.rates import change
from probe.judge.network.switch_view import Interface, SwitchView

#: Preamble, start delimiter and least gap of each frame: 20 octets (IEEE 802.3, from memory).
BESIDE_BITS = 160
_FRAMES = {
    "In": ("ifHCInUcastPkts", "ifHCInMulticastPkts", "ifHCInBroadcastPkts"),
    "Out": ("ifHCOutUcastPkts",),
}


def share(octets: Interval, frames: Interval, speed_bps: int) -> Interval:
    """Share of the wire, 0..1, from octets and frames a second.

    Source: Ethernet arithmetic, (octets * 8 + frames * 160) / speed (from memory).
    """
    return Interval(
        (octets.low * 8 + frames.low * BESIDE_BITS) / speed_bps,
        (octets.high * 8 + frames.high * BESIDE_BITS) / speed_bps,
    )


def load(view: SwitchView, interface: Interface, way: str) -> tuple[Interval, tuple[int, ...]] | str | None:
    """Share of the link in one direction ("In" or "Out") and the lines it rests on; a text: why not; None:
    its counters were not read twice or the speed is not told."""
    if not interface.speed_bps:
        return None
    octets = change(view, f"ifHC{way}Octets", interface, bits=64) or change(view, f"if{way}Octets", interface)
    if octets is None:
        return None
    if octets.reason:
        return octets.reason
    counted = [change(view, name, interface, bits=64) for name in _FRAMES[way]]
    usable = [one for one in counted if one is not None and not one.reason]
    frames = Interval(sum(o.a_second.low for o in usable), sum(o.a_second.high for o in usable))
    return share(octets.a_second, frames, interface.speed_bps), octets.lines
