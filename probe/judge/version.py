"""Firmware versions compared part by part as numbers: 2.10 is newer than 2.9."""

from __future__ import annotations

import re

from probe.model.finding import Verdict

_CONDITION = re.compile(r"\s*(>=|<=|==|>|<|=|!=)?\s*(\S+)\s*")
_NUMBERS = re.compile(r"\d+")


def parts(version: str) -> tuple[int, ...]:
    """The numbers of a version, zeros at the end dropped: ``V2.04.10-b3`` gives (2, 4, 10, 3)."""
    numbers = [int(digits) for digits in _NUMBERS.findall(version)]
    while numbers and numbers[-1] == 0:
        numbers.pop()
    return tuple(numbers)


def matches(seen: str, wanted: str) -> Verdict:
    """PASS if the version is the wanted one or lies in the wanted range, FAIL if not, else REVIEW.

    wanted: one version (``2.4.1``), or conditions joined by commas (``>=2.4, <3``), all of which must hold.
    A version without any number can only be compared as text; in a range that is for a person to review.
    """
    conditions = [_CONDITION.fullmatch(part) for part in wanted.split(",")]
    if len(conditions) == 1 and conditions[0] is not None and conditions[0][1] is None:
        return _exact(seen, wanted)
    if any(c is None or not parts(c[2]) for c in conditions) or not parts(seen):
        return Verdict.REVIEW
    holds = all(_holds(parts(seen), c[1] or "==", parts(c[2])) for c in conditions if c is not None)
    return Verdict.PASS if holds else Verdict.FAIL


def _exact(seen: str, wanted: str) -> Verdict:
    if seen.strip().casefold() == wanted.strip().casefold():
        return Verdict.PASS
    if not parts(seen) or not parts(wanted):
        return Verdict.FAIL
    same_letters = _letters(seen) == _letters(wanted)
    return Verdict.PASS if same_letters and parts(seen) == parts(wanted) else Verdict.FAIL


def _letters(version: str) -> str:
    """What stands besides numbers and separators, without a leading v: ``V2.4-rc1`` gives ``rc``."""
    return re.sub(r"[\d.\s_-]+", "", version.casefold().lstrip("v"))


def _holds(seen: tuple[int, ...], sign: str, wanted: tuple[int, ...]) -> bool:
    return {
        ">=": seen >= wanted,
        "<=": seen <= wanted,
        ">": seen > wanted,
        "<": seen < wanted,
        "!=": seen != wanted,
    }.get(sign, seen == wanted)
