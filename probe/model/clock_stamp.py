"""Stamp: what a clock shows, field by field, and which fields can be."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple


class Stamp(NamedTuple):
    """What a clock shows, field by field.

    weekday: 1 Monday .. 7 Sunday, 0 where it is not shown. invalid: the device says "do not trust me".
    summer: its summer-time flag, None where the encoding has none.
    """

    year: int
    month: int
    day: int
    hour: int
    minute: int
    second: int
    millisecond: int = 0
    weekday: int = 0
    invalid: bool = False
    summer: bool | None = None

    @property
    def weekday_agrees(self) -> bool:
        """False when a weekday is shown that is not the date's."""
        return self.weekday in (0, date(self.year, self.month, self.day).isoweekday())

    @property
    def wall_s(self) -> int:
        """Whole seconds since 1970, the fields read as if they were UTC."""
        days = date(self.year, self.month, self.day).toordinal() - _EPOCH_DAY
        return ((days * 24 + self.hour) * 60 + self.minute) * 60 + self.second


_EPOCH_DAY = date(1970, 1, 1).toordinal()
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def stamp_of(wall_s: int, millisecond: int = 0) -> Stamp:
    """The fields of a time given in seconds since 1970. Raises OverflowError outside years 1..9999."""
    when = _EPOCH + timedelta(seconds=wall_s)
    return Stamp(
        when.year, when.month, when.day, when.hour, when.minute, when.second, millisecond, when.isoweekday()
    )


def possible(stamp: Stamp) -> Stamp | None:
    """The stamp if such a moment exists. A leap second (60) counts as impossible: no device here shows it."""
    if not (0 <= stamp.hour < 24 and 0 <= stamp.minute < 60 and 0 <= stamp.second < 60):
        return None
    if not (0 <= stamp.millisecond < 1000 and 0 <= stamp.weekday <= 7):
        return None
    try:
        date(stamp.year, stamp.month, stamp.day)
    except ValueError:
        return None
    return stamp
