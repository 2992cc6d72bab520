"""When to ask a clock next, so that one more reading narrows its interval most.

A clock of resolution q rolls over at local instants r with (r + offset) a multiple of q; knowing the offset
to within [low, high], the rollover lies somewhere in a window as wide as that. A reading that falls into the
window tells on which side of the rollover it was: either ``offset >= k*q - t4`` or ``offset < k*q - t1``.

Aiming decides nothing about truth: bounds come from ``clock_region`` alone, whatever instant was chosen. So
aiming may assume what bounds may not: the next round trip is like one of those seen, the clock is read
evenly inside it, and the offset lies evenly inside its interval. Under that model the expected logarithm of
the width after the reading is computed for a few instants, and the best is taken. While the window is wide
against the round trip this is bisection; near the end it waits for the luck of a short round trip on the
side where it pays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from probe.judge.clock_region import Bounds

STEPS = 25  # instants tried; more changed the result by less than 1 % (bench/clock.py)


def aim(window: Bounds, round_trips: Sequence[float]) -> float:
    """Best sending instant relative to the rollover of the interval's middle, in ns (negative: before it).

    window: bounds of the offset, ns. round_trips: recent round trips, ns, at least one.
    """
    half, longest = window.width / 2, max(round_trips)
    reach = half + longest
    candidates = [-reach + 2 * reach * i / (STEPS - 1) for i in range(STEPS)]
    candidates += [-trip / 2 for trip in round_trips]
    return min(candidates, key=lambda send: _expected_log_width(send, half, round_trips))


def _expected_log_width(send: float, half: float, round_trips: Sequence[float]) -> float:
    """Mean of log(width after the reading) for one sending instant.

    Let x = offset - middle, evenly in [-half, half]. The rollover comes at -x after the middle's one. A
    clock read at instant u (send <= u <= send + trip) has rolled over if x >= -u. Seen rolled: x >= -t4;
    seen not rolled: x < -t1.
    """
    total = 0.0
    for trip in round_trips:
        end = send + trip
        rolled_width = half - max(-half, min(half, -end))
        fresh_width = max(-half, min(half, -send)) + half
        chance = _chance_rolled(send, end, half)
        for probability, width in ((chance, rolled_width), (1 - chance, fresh_width)):
            if probability > 0:
                total += probability * math.log(max(width, 1.0))
    return total / len(round_trips)


def _chance_rolled(send: float, end: float, half: float) -> float:
    """P(x >= -u) for x even in [-half, half] and u even in [send, end]: mean of a clamped ramp."""
    if half <= 0:
        return 0.5

    def below(u: float) -> float:  # integral of the clamped ramp from -half to u
        if u <= -half:
            return 0.0
        if u >= half:
            return half + (u - half)
        return (u + half) ** 2 / (4 * half)

    if end <= send:
        return max(0.0, min(1.0, (send + half) / (2 * half)))
    return (below(end) - below(send)) / (end - send)


def next_send_ns(offset: Bounds, resolution_ns: int, round_trips: Sequence[float], earliest_ns: int) -> int:
    """Local instant to send the next request: the first well-aimed one that is not before earliest_ns.

    offset: bounds of (clock - local) around that time, ns; resolution_ns: the clock's step.
    """
    lead = aim(offset, round_trips)
    middle = offset.middle
    steps = math.ceil((earliest_ns - lead + middle) / resolution_ns)
    return math.ceil(steps * resolution_ns - middle + lead)
