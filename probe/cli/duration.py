"""Durations as people write them: 90s, 10m, 1h30m."""

from __future__ import annotations

import re

from probe.model.errors import InputError, Problem

LONGEST_S = 30 * 86_400.0
_FORM = re.compile(r"(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)m)?(?:(\d+(?:\.\d+)?)s)?", re.ASCII)


def seconds(text: str, option: str) -> float:
    """Seconds that the text means; a bare 0 is no time at all.

    option: name of the argument, for the message.
    Raises InputError if it is no duration or longer than 30 days.
    """
    compact = text.strip().lower().replace(" ", "")
    if compact == "0":
        return 0.0
    match = _FORM.fullmatch(compact)
    if not compact or match is None:
        raise InputError([_problem(text, option)])
    hours, minutes, rest = (float(part or 0) for part in match.groups())
    total = hours * 3600 + minutes * 60 + rest
    if total > LONGEST_S:
        raise InputError([_problem(text, option)])
    return total


def _problem(text: str, option: str) -> Problem:
    return Problem(
        file=option,
        what="this is no duration" if text.strip() else "a duration is missing",
        found=text,
        allowed="hours, minutes and seconds with their letters, up to 30 days: 90s, 10m, 1h30m",
    )
