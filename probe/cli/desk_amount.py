"""Amounts as people write them on a command line: 350 m, 350 +/- 5 m, -20 dBm, 60 C."""

from __future__ import annotations

from probe.desk.working import Amount
from probe.model.amount_text import read_amount
from probe.model.errors import InputError, Problem
from probe.model.nearest import did_you_mean

#: Beyond these nothing on a desk is meant; they keep the arithmetic from overflow.
_SMALLEST, _LARGEST = 1e-9, 1e9

LENGTH = {"m": 1.0, "km": 1000.0, "ft": 0.3048}
SHORT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
VOLTAGE = {"V": 1.0}
CURRENT = {"A": 1.0, "mA": 0.001}
POWER = {"W": 1.0, "kW": 1000.0}
CAPACITY = {"Ah": 1.0}
LOSS = {"dB": 1.0}
LEVEL = {"dBm": 1.0}
SLOPE = {"dB/km": 1.0}
TEMPERATURE = {"C": 1.0, "°C": 1.0}
SECONDS = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0}
HOURS = {"h": 1.0, "min": 1 / 60, "s": 1 / 3600}
WAVELENGTH = {"nm": 1.0}


def problem(option: str, what: str, found: str, allowed: str, remedy: str = "") -> InputError:
    """The error for one option, to be raised."""
    return InputError([Problem(file=option, what=what, found=found, allowed=allowed, remedy=remedy)])


def amount(
    option: str, text: str, units: dict[str, float], *, least: float = 0.0, above: bool = False
) -> Amount:
    """What the text says, in the first of the units.

    least: smallest value allowed; above: it must be greater than that. Raises InputError.
    """
    allowed = f"a number with its unit: {', '.join(units)}"
    read = read_amount(text)
    if read is None:
        raise problem(option, "this is no amount", text, allowed)
    if not read.unit:
        raise problem(option, "a number without its unit", text, allowed, "write the unit behind the number")
    named = {unit.lower(): factor for unit, factor in units.items()}
    if read.unit.lower() not in named:
        raise problem(option, "this unit does not fit here", text, allowed)
    factor = named[read.unit.lower()]
    value, spread = read.number * factor, (read.spread or 0.0) * factor
    sizes = [abs(one) for one in (value, spread) if one]
    if any(not _SMALLEST <= size <= _LARGEST for size in sizes):
        raise problem(option, "this amount is out of all reason", text, allowed)
    if value - spread < least or (above and value - spread <= least):
        words = "above" if above else "from"
        raise problem(option, "this amount is out of range", text, f"{words} {least:g} {next(iter(units))}")
    return Amount(value=value, unit=next(iter(units)), plus_minus=spread)


def value(
    option: str, text: str, units: dict[str, float], *, least: float = 0.0, above: bool = False
) -> float:
    """The number alone, where no uncertainty is asked for. Raises InputError."""
    given = amount(option, text, units, least=least, above=above)
    if given.plus_minus:
        raise problem(option, "an uncertainty has no use here", text, "the worst value itself")
    return given.value


def choice(option: str, text: str, allowed: tuple[str, ...]) -> str:
    """The text, if it is one of the words. Raises InputError with the nearest."""
    word = text.strip().lower()
    if word not in allowed:
        raise problem(option, "this word is not known", text, ", ".join(allowed), did_you_mean(word, allowed))
    return word


def part(option: str, number: float) -> float:
    """A part of one, from a hundredth on. Raises InputError."""
    if not 0.01 <= number <= 1:
        raise problem(option, "this is no part of one", f"{number:g}", "0.01 to 1")
    return number
