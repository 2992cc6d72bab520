"""Durations in arguments: what is wrong with one is told with the argument's name."""

from __future__ import annotations

from probe.model.duration import DAY_S, DURATION_FORMS, duration_s
from probe.model.errors import InputError, Problem

LONGEST_S = 30 * DAY_S


def seconds(text: str, option: str, *, longest_s: float = LONGEST_S) -> float:
    """Seconds that the text means; a bare 0 is no time at all.

    option: name of the argument, for the message.
    Raises InputError if it is no duration or longer than allowed.
    """
    try:
        total_s = duration_s(text)
    except ValueError:
        raise InputError([_problem(text, option, longest_s)]) from None
    if total_s > longest_s:
        raise InputError([_problem(text, option, longest_s)])
    return total_s


def _problem(text: str, option: str, longest_s: float) -> Problem:
    return Problem(
        file=option,
        what="this is no duration" if text.strip() else "a duration is missing",
        found=text,
        allowed=f"{DURATION_FORMS}; up to {longest_s / DAY_S:g} days",
    )
