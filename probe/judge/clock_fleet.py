"""Clock fleet: how well the clocks of a lineup agree, hence which events their stamps can put in order.

An event that a clock stamps v happened, on this computer's time, in [v - high, v + q - low): low and high
bound the clock's offset, q is its step. Two such windows that do not meet tell the order; so two stamps tell
it when they are further apart than ``order_needs``. The reference does not come into this: what counts is how
the clocks stand to each other, and both were read by the same computer.

``raw`` compares the stamps as they stand. ``corrected`` takes off the offsets that were measured here; that
holds for events about the time of the measurement, before clocks are set or drift on.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median
from typing import NamedTuple

from probe.judge.clock_region import Bounds, ClockRegion
from probe.judge.clock_selection import order_needs
from probe.judge.clock_state import ClockState
from probe.judge.limit import Interval

S = 1_000_000_000
#: Beyond so many clocks pairs are not listed one by one, and the median is that of every n-th clock.
MOST_PAIRED = 300
#: A clock this far off orders nothing: the order of events is read from clocks that are right to the day.
MOST_S = 366 * 86_400.0


class Member(NamedTuple):
    """One clock: bounds of its offset against the first one's scale, seconds, and its step."""

    tag: str
    offset: Interval
    step_s: float

    @property
    def window(self) -> Interval:
        """When an event truly happened that this clock stamps 0: bounds on the common scale, seconds."""
        return Interval(-self.offset.high, self.step_s - self.offset.low)

    @property
    def centred(self) -> Member:
        """The clock as it stands when its offset is taken off."""
        half = self.offset.half_width
        return self._replace(offset=Interval(-half, half))


class Pair(NamedTuple):
    """Two clocks, and how far apart their stamps must be to tell the order, seconds."""

    first: str
    second: str
    raw_s: float
    corrected_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """members: clocks that could be compared, in the map's order. at_ns: instant for which it holds.

    worst: the pair that needs most (as they stand). median_s, corrected_s: of all pairs. left_out: clocks
    that could not be compared, with why. pairs: all of them, empty for more than ``MOST_PAIRED`` clocks.
    """

    members: tuple[Member, ...]
    at_ns: int
    worst: Pair | None
    median_s: float
    corrected_s: float
    left_out: Mapping[str, str]
    pairs: tuple[Pair, ...]


def needs(first: Member, second: Member) -> Pair:
    """How far apart two clocks' stamps must be, as they stand and with their offsets taken off."""
    a, b = first.centred, second.centred
    return Pair(first.tag, second.tag, _needs(first, second), _needs(a, b))


def _needs(first: Member, second: Member) -> float:
    return order_needs(Bounds(*first.offset), first.step_s, Bounds(*second.offset), second.step_s)


def fleet_of(states: Iterable[tuple[str, ClockState | None]]) -> Fleet:
    """The fleet of these clocks, by tag. Those that were not measured as one running clock are left out."""
    every = list(states)
    left_out = {tag: why for tag, state in every if (why := _why_not(state))}
    fit = [
        (tag, state, state.region)
        for tag, state in every
        if tag not in left_out and state is not None and state.region is not None
    ]
    at_ns = max((state.at_ns for _, state, _ in fit), default=0)
    members = tuple(_members(fit, at_ns))
    some = members[:: -(-len(members) // MOST_PAIRED)] if members else ()
    pairs = tuple(needs(one, other) for one, other in combinations(some, 2))
    return Fleet(
        members=members,
        at_ns=at_ns,
        worst=_worst(members),
        median_s=median(pair.raw_s for pair in pairs) if pairs else 0.0,
        corrected_s=median(pair.corrected_s for pair in pairs) if pairs else 0.0,
        left_out=left_out,
        pairs=pairs if len(some) == len(members) else (),
    )


def _why_not(state: ClockState | None) -> str:
    if state is None:
        return "not measured"
    if not state.is_settled or state.region is None or state.region.is_empty:
        return state.behaviour.value if state.readings else "shows no possible date"
    own = state.own_s
    if own is not None and abs(own.middle) > MOST_S:
        return "shows another year, or was never set"
    return ""


def _members(fit: Sequence[tuple[str, ClockState, ClockRegion]], at_ns: int) -> Iterator[Member]:
    """Offsets on one common scale, whole parts apart so that no digits are lost."""
    for tag, state, region in fit:
        bounds, base_ns = region.relative_at(at_ns), region.base_ns - fit[0][2].base_ns
        offset = Interval((base_ns + bounds.low) / S, (base_ns + bounds.high) / S)
        yield Member(tag, offset, state.resolution_s)


def _worst(members: tuple[Member, ...]) -> Pair | None:
    """The pair that needs most, without looking at every pair.

    It needs step + high(other) - low(one): the greatest (step - low) and the greatest high decide, and where
    both are of one clock, the second greatest of either.
    """
    if len(members) < 2:
        return None
    lows = sorted(members, key=lambda one: one.offset.low - one.step_s)[:2]
    highs = sorted(members, key=lambda one: -one.offset.high)[:2]
    choices = [(a, b) for a in lows for b in highs if a.tag != b.tag]
    one, other = max(choices, key=lambda pair: _needs(*pair))
    order = [member.tag for member in members]
    first, second = sorted((one, other), key=lambda member: order.index(member.tag))
    return needs(first, second)
