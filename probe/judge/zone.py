"""From what a device's clock shows to an instant: UTC as it stands, local time through the map's zone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from probe.model.profile import ClockRule

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@lru_cache(maxsize=16)
def zone_named(name: str) -> ZoneInfo | None:
    """The zone of the time-zone database; None if it has no such name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def clock_instant(shown: float, rule: ClockRule, zone: str) -> float | None:
    """Unix seconds of the instant that the clock shows; None where the zone or calendar gives none.

    shown: seconds as the decoder gives them: for a clock in local time its date and time read as if they
    were UTC. In the hour that a zone repeats in autumn the first of both is taken.
    """
    if rule.zone != "local":
        return shown
    where = zone_named(zone)
    try:
        local = _EPOCH + timedelta(seconds=shown)
        return None if where is None else local.replace(tzinfo=where).timestamp()
    except (OverflowError, ValueError):
        return None
