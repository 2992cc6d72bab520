"""The clock of one device as its checks see it: worked out once for each judgement."""

from __future__ import annotations

from probe.judge.clock_state import ClockState, ClockTerms, clock_state
from probe.judge.context import DeviceContext
from probe.model.evidence import Purpose
from probe.model.lineup import Lineup
from probe.model.reading import Reading

_KEY = "clock state"


def clock_terms(lineup: Lineup, tag: str) -> ClockTerms:
    """What a device's clock is judged by."""
    clock = lineup.map.clock
    return ClockTerms(
        tag=tag,
        profile=lineup.profile_of(lineup.map.by_tag[tag]),
        zone=clock.zone,
        tolerance_s=clock.tolerance_s,
        drift_bound_ppm=clock.drift_ppm,
    )


def clock_readings(context: DeviceContext) -> tuple[Reading, ...]:
    """All readings of the device's clock, by the time of asking; if it was set, those since then."""
    if context.profile.clock is None:
        return ()
    since_ns = set_at_ns(context)
    return tuple(one for one in every_reading(context) if one.sent_ns >= since_ns)


def every_reading(context: DeviceContext) -> tuple[Reading, ...]:
    """All readings of the device's clock, by the time of asking, also those before it was set."""
    rule = context.profile.clock
    return () if rule is None else tuple(sorted(context.readings(rule.point), key=lambda r: r.sent_ns))


def set_at_ns(context: DeviceContext) -> int:
    """When the last write of the clock was over, 0 if none was sent: as-found before, as-left after it."""
    writes = [e.received_ns for _, e in context.sent if e.purpose is Purpose.CLOCK_SET]
    return max(writes, default=0)


def clock_of(context: DeviceContext) -> ClockState | None:
    """The state of the device's clock; None if it was never read."""
    if context.profile.clock is None:
        return None
    if _KEY not in context.memory:
        readings = clock_readings(context)
        context.memory[_KEY] = (
            clock_state(clock_terms(context.lineup, context.tag), readings, context.run) if readings else None
        )
    state: ClockState | None = context.memory[_KEY]
    return state
