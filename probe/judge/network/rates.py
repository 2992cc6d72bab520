"""Counters as rates: the difference of two readings over the time between them, wrap and reset told apart.

A counter counts modulo 2^32 or 2^64 and may be set back: by a restart (sysUpTime began again) or otherwise
(ifCounterDiscontinuityTime moved; RFC 2863, from memory). A lower second reading is a wrap only if the link
could have carried so much meanwhile. The time between lies between two bounds: from the answer of the first
request to the sending of the second, and from the sending of the first to the answer of the second.
"""

from __future__ import annotations

from typing import NamedTuple

from probe.judge.limit import Interval
from probe.judge.network.switch_view import Interface, Seen, SwitchView

TICKS_A_SECOND = 100  # TimeTicks, RFC 2578 (from memory)
_WRAP = 1 << 32
#: Shortest Ethernet frame on the wire with preamble and gap: 84 octets (IEEE 802.3, from memory).
_SHORTEST_FRAME_BITS = 672
#: So much faster than told can no link be; for links whose speed nobody tells: 10 Gbit/s.
_UNKNOWN_BPS = 10_000_000_000
#: Restart: sysUpTime may run this much slower or faster than our clock, plus the time of asking.
_UPTIME_SHARE, _UPTIME_SLACK_S = 0.05, 2.0


class Change(NamedTuple):
    """By how much a counter rose, and over which time. reason: why it cannot be told, then the rest is 0."""

    rise: int
    seconds: Interval
    reason: str = ""
    lines: tuple[int, ...] = ()

    @property
    def a_second(self) -> Interval:
        """The rate."""
        if self.seconds.low <= 0:
            return Interval(0.0 if not self.rise else float("nan"), float("inf") if self.rise else 0.0)
        return Interval(self.rise / self.seconds.high, self.rise / self.seconds.low)


def change(view: SwitchView, name: str, interface: Interface, *, bits: int = 32) -> Change | None:
    """The change of one counter of an interface between the two readings; None if it was not read twice.

    bits: width of the counter. Source: check of RFC 2863, 3.1.6 (from memory: counters that wrap too fast
    need 64 bits).
    """
    index = (interface.ifindex,)
    first, second = view.column(name, 0).get(index), view.column(name, 1).get(index)
    if first is None or second is None:
        return None
    if not isinstance(first.value, int) or not isinstance(second.value, int):
        return None
    seconds = time_between(first, second)
    lines = (first.number, second.number)
    reason = reset_reason(view, interface)
    if reason:
        return Change(0, seconds, reason, lines)
    is_octets = "Octets" in name
    if is_octets and bits == 32 and _wraps_s(interface) < seconds.high:
        return Change(0, seconds, "the 32-bit counter may have wrapped more than once meanwhile", lines)
    rise = (second.value - first.value) % (1 << bits)
    if second.value < first.value and rise > _most(interface, seconds.high, is_octets=is_octets):
        return Change(0, seconds, "the counter was set back meanwhile", lines)
    return Change(rise, seconds, "", lines)


def time_between(first: Seen, second: Seen) -> Interval:
    """Seconds between two readings, as bounds."""
    return Interval(
        max(0.0, (second.between[0] - first.between[1]) / 1e9), (second.between[1] - first.between[0]) / 1e9
    )


def restarted(view: SwitchView) -> bool | None:
    """Whether the agent started again between the readings (sysUpTime); None if that cannot be told.

    sysUpTime passes its end after 497 days (2^32 hundredths of a second): that is no restart.
    """
    first, second = view.scalar("sysUpTime", 0), view.scalar("sysUpTime", 1)
    if first is None or second is None:
        return None
    if not isinstance(first.value, int) or not isinstance(second.value, int):
        return None
    passed = time_between(first, second)
    ran_s = ((second.value - first.value) % _WRAP) / TICKS_A_SECOND
    slack_s = _UPTIME_SLACK_S + _UPTIME_SHARE * passed.high
    return not passed.low - slack_s <= ran_s <= passed.high + slack_s


def reset_reason(view: SwitchView, interface: Interface) -> str:
    """Why the counters of an interface are not those of the first reading; empty if nothing says so."""
    if restarted(view):
        return "the switch or its agent started again between the readings"
    index = (interface.ifindex,)
    first = view.numbers("ifCounterDiscontinuityTime", 0).get(index)
    second = view.numbers("ifCounterDiscontinuityTime", 1).get(index)
    if first is not None and second is not None and first != second:
        return "the switch says that its counters were set back (ifCounterDiscontinuityTime)"
    return ""


def _wraps_s(interface: Interface) -> float:
    """Seconds after which a 32-bit octet counter may wrap at full speed."""
    return _WRAP * 8 / (interface.speed_bps or _UNKNOWN_BPS)


def _most(interface: Interface, seconds: float, *, is_octets: bool) -> float:
    """The most that the link can have counted in that time."""
    bits = (interface.speed_bps or _UNKNOWN_BPS) * seconds
    return bits / 8 if is_octets else bits / _SHORTEST_FRAME_BITS
