"""Picture: one device's readings laid out for the diagnosis, three phases at a time, in base units.

Made from (quantity, phase) -> (value, half-width), as the snapshot has it or as a hypothesis would have it.
A value that is not there is NaN, so that sums with it are NaN too and their terms drop out.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite, nan
from typing import NamedTuple

Key = tuple[str, str]
#: Value and half-width, base units (V, A, W, var, VA, Hz; power factor as a fraction, shares in percent).
Sight = tuple[float, float]
Values = Mapping[Key, Sight]
Three = tuple[Sight, Sight, Sight]

ABSENT: Sight = (nan, nan)
PHASES = ("a", "b", "c")
PAIRS = ("ab", "bc", "ca")
#: Larger numbers are no measurement of anything; cut there, they are as wrong and can still be squared.
MOST = 1e15


class Picture(NamedTuple):
    """volts: to neutral; lines: between phases ab, bc, ca; amps; active, reactive, apparent: of the phases;
    totals: active, reactive, apparent; factors: of a, b, c and total. angles: of the voltages, degrees."""

    volts: Three
    lines: Three
    amps: Three
    neutral: Sight
    active: Three
    reactive: Three
    apparent: Three
    totals: Three
    factors: tuple[Sight, Sight, Sight, Sight]
    hertz: Sight
    unbalance: Sight
    angles: Three
    means: tuple[Sight, Sight, Sight, Sight]  # volts, lines, amps averages; amps total


def picture(values: Values) -> Picture:
    """The picture of the values."""
    get = values.get

    def three(quantity: str, names: tuple[str, str, str] = PHASES) -> Three:
        a, b, c = names
        return (
            get((quantity, a), ABSENT),
            get((quantity, b), ABSENT),
            get((quantity, c), ABSENT),
        )

    total = "total"
    factors = three("power_factor")
    whole = get(("power_factor", total)) or get(("power_factor", "average"), ABSENT)
    return Picture(
        three("voltage_phase"),
        three("voltage_line", PAIRS),
        three("current"),
        get(("current", "n"), ABSENT),
        three("power_active"),
        three("power_reactive"),
        three("power_apparent"),
        (
            get(("power_active", total), ABSENT),
            get(("power_reactive", total), ABSENT),
            get(("power_apparent", total), ABSENT),
        ),
        (*factors, whole),
        get(("frequency", ""), ABSENT),
        get(("unbalance_voltage", ""), ABSENT),
        three("angle_voltage"),
        (
            get(("voltage_phase", "average"), ABSENT),
            get(("voltage_line", "average"), ABSENT),
            get(("current", "average"), ABSENT),
            get(("current", total), ABSENT),
        ),
    )


def clipped(value: float) -> float:
    """The value, no larger than ``MOST``; NaN stays."""
    return max(-MOST, min(MOST, value)) if value == value else value  # noqa: PLR0124 - NaN


def there(*sights: Sight) -> bool:
    """True if all of these values are there."""
    return all(isfinite(sight[0]) for sight in sights)


def is_single(seen: Picture) -> bool:
    """True for the readings of one phase alone: voltage and current of A, and no other."""
    alone = not any(isfinite(sight[0]) for three in (seen.volts, seen.amps) for sight in three[1:])
    across = any(isfinite(sight[0]) for sight in seen.lines)
    return alone and not across and there(seen.volts[0], seen.amps[0])


def shown_power(seen: Picture) -> complex:
    """Total active and reactive power as shown, W and var; NaN for what is not."""
    active, reactive = seen.totals[0][0], seen.totals[1][0]
    if is_single(seen) and not isfinite(active):
        active, reactive = seen.active[0][0], seen.reactive[0][0]
    return complex(active, reactive)


def middle(three: Three) -> float:
    """The middle one of the values that are there; NaN for none."""
    found = sorted(abs(sight[0]) for sight in three if isfinite(sight[0]))
    if not found:
        return nan
    return sum(found) / 2 if len(found) == 2 else found[len(found) // 2]
