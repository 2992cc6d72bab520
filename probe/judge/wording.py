"""Texts of numbers, times and lists, in plain words and with the digits that a value can carry."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from probe.model.profile import Point
from probe.model.reading import Value

#: Stands in every advice that sends somebody to the gear.
AT_THE_GEAR = (
    "Caution: opening doors or touching wiring is work on gear that can kill by shock and arc flash. "
    "De-energize, lock out and test dead first, or leave it to people qualified for energized work. "
    "Local codes and site procedures come first."
)


def number(value: float, decimals: int) -> str:
    """value with so many digits after the point; very large and very small ones as powers of ten."""
    if isinstance(value, bool):
        return "on" if value else "off"
    if not math.isfinite(value):
        return "not a number" if math.isnan(value) else ("infinite" if value > 0 else "minus infinite")
    if value and not 1e-6 <= abs(value) < 1e12:
        return f"{value:.3e}"
    text = f"{value:.{max(decimals, 0)}f}"
    return text if text.strip("-0.") else text.lstrip("-")  # no minus before nothing


def value_text(point: Point, value: Value) -> str:
    """A point's value as people write it: name of the state, text as it is, number with its digits."""
    if isinstance(value, str):
        return value
    if point.values and isinstance(value, int):
        return point.values.get(value, f"{value} (not in its list)")
    return number(value, point.decimals)


def milliseconds(nanoseconds: float) -> str:
    """Time as milliseconds with three significant digits at most, no unit."""
    if nanoseconds == float("inf"):
        return "none"
    value = nanoseconds / 1e6
    return f"{value:.0f}" if value >= 100 else (f"{value:.1f}" if value >= 10 else f"{value:.2f}")


def percent(share: float) -> str:
    """A share of 0..1 as a percentage with two significant digits, no unit."""
    value = share * 100
    if value == 0 or value >= 99.95:
        return f"{value:.0f}"
    return f"{value:.0f}" if value >= 10 else (f"{value:.1f}" if value >= 1 else f"{value:.2g}")


def span(seconds: float) -> str:
    """A length of time in the words of people: 3 h, 12 min 5 s, 2.5 s, 40 ms."""
    size = abs(seconds)
    if size >= 2 * 86_400:
        return f"{size / 86_400:.1f} days"
    if size >= 3600:
        hours, rest = divmod(round(size), 3600)
        return (
            f"{hours} h"
            + (f" {rest // 60} min" if rest >= 60 else "")
            + (f" {rest % 60} s" if rest % 60 else "")
        )
    if size >= 60:
        minutes, rest = divmod(round(size), 60)
        return f"{minutes} min" + (f" {rest} s" if rest else "")
    return f"{size:.1f} s" if size >= 1 else f"{size * 1000:.0f} ms"


def instant(unix_s: float) -> str:
    """Date and time of a Unix time as UTC, to the second; the bare number where no calendar reaches."""
    try:
        return datetime.fromtimestamp(unix_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    except (ValueError, OverflowError, OSError):
        return f"{unix_s:.0f} s since 1970"


def count(many: int, thing: str, things: str = "") -> str:
    """``1 reply``, ``3 replies``."""
    return f"{many} {thing if many == 1 else things or thing + 's'}"


def some(items: Sequence[str], limit: int = 4) -> str:
    """The first few items in a row, and how many more there are."""
    shown = ", ".join(items[:limit])
    return shown if len(items) <= limit else f"{shown} and {len(items) - limit} more"


def first_bytes(data: bytes, limit: int = 16) -> str:
    """The first bytes in hexadecimal pairs; ``(none)`` for none."""
    if not data:
        return "(none)"
    return data[:limit].hex(" ").upper() + (" ..." if len(data) > limit else "")


def listed(items: Iterable[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    parts = list(items)
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1] if parts else ""
