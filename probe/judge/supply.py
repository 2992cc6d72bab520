"""Whether a circuit is live, by the points that the profile names for it."""

from __future__ import annotations

from probe.judge.context import DeviceContext


def is_dead(context: DeviceContext) -> bool:
    """True if the points that tell it were read and show no voltage."""
    known: bool | None = context.memory.get("dead")
    if known is None:
        names, limit = context.profile.energized_points, context.profile.energized_above
        readings = [reading for name in names if (reading := context.latest(name))]
        known = bool(readings) and all(float(reading.value) <= limit for reading in readings)
        context.memory["dead"] = known
    return known
