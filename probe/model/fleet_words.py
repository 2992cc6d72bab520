"""Words of a fleet file: the sorts of values that its fields hold."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time
from typing import Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from cronsim import CronSim, CronSimError
from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints, WithJsonSchema

from probe.model.duration import DAY_S, DURATION_FORMS, duration_s
from probe.model.map_words import Strict
from probe.model.shape import refuse

_ANY_DAY = datetime(2026, 1, 1, tzinfo=UTC)
LONGEST_S = 36_600 * DAY_S  # a hundred years: what the calendar still bears


def _duration(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        return duration_s(value)
    except ValueError:
        raise refuse("this is no duration", allowed=DURATION_FORMS) from None


def _cron(text: str) -> str:
    try:
        CronSim(text, _ANY_DAY)
    except CronSimError as error:
        raise refuse(
            f"this is no time table ({error})",
            allowed="five fields: minute, hour, day, month, weekday, as 30 2 * * *",
            remedy="write it as for cron; `30 2 * * 1` is half past two every Monday",
        ) from None
    return text


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise refuse(
            "no such time zone", allowed="a name of the IANA list, as Europe/London or UTC"
        ) from None
    return name


def _hours(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    match = re.fullmatch(r"(\d\d?):(\d\d)\s*-\s*(\d\d?):(\d\d)", value.strip())
    try:
        if match is None:
            raise ValueError(value)
        first_h, first_m, last_h, last_m = (int(part) for part in match.groups())
        return Hours(first=time(first_h, first_m), last=time(last_h, last_m))
    except ValueError:
        raise refuse(
            "these are no hours", allowed="from-to, as 06:00-08:00 (past midnight: 22:00-04:00)"
        ) from None


class Hours(Strict):
    """Hours of the day, from the first minute to before the last; past midnight if the last is earlier."""

    first: time
    last: time

    def holds(self, moment: time) -> bool:
        """True within these hours."""
        if self.first <= self.last:
            return self.first <= moment < self.last
        return moment >= self.first or moment < self.last


_DURATION_SCHEMA = WithJsonSchema({"type": "string", "x-allowed": DURATION_FORMS})
Duration = Annotated[float, BeforeValidator(_duration), Field(ge=0, le=LONGEST_S), _DURATION_SCHEMA]
Cron = Annotated[str, AfterValidator(_cron)]
ZoneName = Annotated[str, AfterValidator(_zone)]
QuietHours = Annotated[Hours, BeforeValidator(_hours), WithJsonSchema({"type": "string"})]
Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
