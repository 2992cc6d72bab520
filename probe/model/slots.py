"""Slots: at which instants a sweep starts. Pure: the present is handed in, all instants are UTC.

Clock changes: a time that does not exist is taken at the next that does, one that exists twice is taken once
(for a time table with fixed hours), as cron does. A slot in quiet hours moves to their end.
Source: Debian cron, cron(8), "NOTES" on daylight saving time (by way of the cronsim library).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

from cronsim import CronSim

from probe.model.fleet import Sweep
from probe.model.fleet_words import Hours

FURTHEST = timedelta(days=366 * 5)


class Slot(NamedTuple):
    """One start that the time table asks for. due: the time table's instant; at: when to start."""

    due: datetime
    at: datetime


def slots(sweep: Sweep, zone: ZoneInfo, after: datetime) -> Iterator[Slot]:
    """Slots due after an instant, in their order; none that would be years away."""
    for due in CronSim(sweep.at, after.astimezone(zone)):
        if due - after > FURTHEST:
            return
        at = due + timedelta(seconds=put_off_s(sweep))
        at = _out_of(sweep.quiet, at.astimezone(zone))
        yield Slot(due.astimezone(UTC), at.astimezone(UTC))


def put_off_s(sweep: Sweep) -> float:
    """The sweep's fixed part of its spread, by its name: not all at once, and the same every day."""
    number = int.from_bytes(hashlib.sha256(sweep.name.encode()).digest()[:6], "big")
    return sweep.spread * number / 2**48


def next_slot(sweep: Sweep, zone: ZoneInfo, after: datetime) -> Slot | None:
    """The first slot due after an instant; None if none is near."""
    return next(slots(sweep, zone, after), None)


def first_start(sweep: Sweep, zone: ZoneInfo, now: datetime) -> datetime:
    """The first instant after now at which a slot starts, also one that was due before and put off."""
    longest = timedelta(seconds=sweep.spread, days=1 if sweep.quiet else 0)
    starts = (slot.at for slot in slots(sweep, zone, now - longest - timedelta(seconds=1)))
    return next((at for at in starts if at > now), now + FURTHEST)


class Due(NamedTuple):
    """What is to be done now. slot: to run, None for nothing. missed: slots that are given up, with why."""

    slot: Slot | None
    missed: tuple[tuple[Slot, str], ...] = ()


def due_now(sweep: Sweep, zone: ZoneInfo, done_until: datetime, now: datetime) -> Due:
    """Of all slots after ``done_until`` that should have started: the last is run, the others are missed.

    A computer that slept makes up for one start, and only if it is not older than ``catch_up``.
    """
    passed = []
    for slot in slots(sweep, zone, done_until):
        if slot.at > now:
            break
        passed.append(slot)
    if not passed:
        return Due(None)
    *old, last = passed
    missed = [(slot, "a later start was due as well") for slot in old]
    if now - last.at > timedelta(seconds=max(sweep.catch_up, 60.0)):
        return Due(None, (*missed, (last, "it was too long ago to be made up")))
    return Due(last, tuple(missed))


def trouble_with(sweep: Sweep, zone: ZoneInfo, now: datetime) -> str:
    """Why the time table cannot be met, empty if it can: no slot, or a budget longer than the pause."""
    near = []
    for slot in slots(sweep, zone, now):
        near.append(slot)
        if len(near) == 50:
            break
    if not near:
        return "its time table has no start in the next five years"
    pauses = [b.at - a.at for a, b in pairwise(near)]
    if pauses and min(pauses) < timedelta(seconds=sweep.budget):
        return (
            f"its budget ({sweep.budget / 60:g} min) is longer than the shortest pause between two starts "
            f"({min(pauses).total_seconds() / 60:g} min)"
        )
    return ""


def _out_of(quiet: tuple[Hours, ...], at: datetime) -> datetime:
    """The moment itself, or the end of the quiet hours that it falls into."""
    for _ in range(len(quiet) + 1):
        hours = next((one for one in quiet if one.holds(at.timetz().replace(tzinfo=None))), None)
        if hours is None:
            return at
        end = at.replace(hour=hours.last.hour, minute=hours.last.minute, second=0, microsecond=0)
        at = end if end > at else end + timedelta(days=1)
    return at
