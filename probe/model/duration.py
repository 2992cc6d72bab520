"""Durations as people write them: 90s, 10m, 1h30m, 2d, 104w. The one parser; bounds are the callers'."""

from __future__ import annotations

import re

DURATION_FORMS = "weeks, days, hours, minutes and seconds with their letters: 90s, 10m, 1h30m, 2d"
DAY_S = 86_400.0

_FORM = re.compile(
    r"(?:(\d+(?:\.\d+)?)w)?(?:(\d+(?:\.\d+)?)d)?(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)m)?(?:(\d+(?:\.\d+)?)s)?",
    re.ASCII,
)
_UNITS_S = (7 * DAY_S, DAY_S, 3600.0, 60.0, 1.0)


def duration_s(text: str) -> float:
    """Seconds that the text means; a bare 0 is no time. Infinite for absurd numbers: callers have bounds.

    Raises ValueError if it is no duration.
    """
    compact = text.strip().lower().replace(" ", "")
    if compact == "0":
        return 0.0
    match = _FORM.fullmatch(compact)
    if not compact or match is None:
        raise ValueError(text)
    return sum(float(part or 0) * unit_s for part, unit_s in zip(match.groups(), _UNITS_S, strict=True))
