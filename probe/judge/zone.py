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


def clock_instant(shown: float, rule: ClockRule, zone: str, near_s: float | None = None) -> float | None:
    """Unix seconds of the instant that the clock shows; None where the zone or calendar gives none.

    shown: seconds as the decoder gives them: for a clock in local time its date and time read as if they
    were UTC. near_s: Unix seconds about which it is. In the hour that a zone repeats in autumn the one of
    both that lies nearer to it is meant (the first without it): the stamp alone cannot tell. A time that the
    zone leaves out in spring is read with the offset after the change: a device that shows it did not change.
    """
    if rule.zone != "local":
        return shown
    where = zone_named(zone)
    try:
        local = _EPOCH + timedelta(seconds=shown)
        if where is None:
            return None
        first, second = (local.replace(tzinfo=where, fold=fold).timestamp() for fold in (0, 1))
    except (OverflowError, ValueError):
        return None
    if second < first:  # left out in spring
        return second
    return second if near_s is not None and abs(second - near_s) < abs(first - near_s) else first


def zone_offsets(zone: str, at_s: float) -> tuple[float, float] | None:
    """(local time - UTC, summer time's share of it) of the zone at an instant, seconds; None if unknown.

    The rules are those of the time-zone database of the system or of the package tzdata. Summer time is what
    stands above the year's lower offset: the database itself calls Ireland's winter the exception.
    """
    where = zone_named(zone)
    if where is None:
        return None
    try:
        local = datetime.fromtimestamp(at_s, where)
        offsets = [_offset_s(datetime(local.year, month, 1, tzinfo=where)) for month in (1, 7)]
    except (OverflowError, ValueError, OSError):
        return None
    now = _offset_s(local)
    return now, max(now - min(offsets), 0.0)


def _offset_s(local: datetime) -> float:
    return (local.utcoffset() or timedelta()).total_seconds()
