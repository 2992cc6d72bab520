"""Amounts as people write them: 350 m, 350 +/- 5 m, -20 dBm, 60 C; what is written, not what it means."""

from __future__ import annotations

import re
from typing import NamedTuple

_FORM = re.compile(
    r"\s*(?P<number>[+-]?\d+(?:\.(?P<digits>\d+))?(?:e[+-]?\d+)?)"
    r"(?:\s*(?:±|\+/-)\s*(?P<spread>\d+(?:\.\d+)?))?\s*(?P<unit>[^\d\s].*?)?\s*",
    re.IGNORECASE,
)


class AmountText(NamedTuple):
    """number and spread in the unit that was written; spread: None where nothing was said of it.

    unit: as written, empty for none. last_digit: what one step of the last digit written is worth.
    """

    number: float
    spread: float | None
    unit: str
    last_digit: float


def read_amount(text: str) -> AmountText | None:
    """What the text says; None if it is no amount."""
    match = _FORM.fullmatch(text)
    if match is None:
        return None
    spread = None if match["spread"] is None else float(match["spread"])
    return AmountText(
        number=float(match["number"]),
        spread=spread,
        unit=match["unit"] or "",
        last_digit=10.0 ** -len(match["digits"] or ""),
    )
