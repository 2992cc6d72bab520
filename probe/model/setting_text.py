"""Settings as people write them: ``1530 A``, ``0.8 x plug``, ``18 cycles``, ``8 s at 6 x pickup``.

A number without its unit, or a multiple without its base, is refused: 4 times the long-time pickup and 4
times the plug are two settings. A comma is refused where it could be thousands or decimals (``1,530 A``);
tables are read by ``study_table``, which knows the decimal comma of its own columns.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

_NUMBER = r"(\d+(?:\.\d+)?|\.\d+)"
_BASE_WORDS = {
    "sensor": "sensor", "plug": "plug", "rating plug": "plug", "pickup": "pickup", "pick-up": "pickup",
    "ir": "pickup", "own": "own",
}  # fmt: skip
_AMPERES = re.compile(rf"{_NUMBER}\s*(kA|A)", re.IGNORECASE)
_TIMES = re.compile(rf"{_NUMBER}\s*[x×*]\s*([A-Za-z-]+(?: [A-Za-z]+)?)?", re.IGNORECASE)
_DELAY = re.compile(rf"{_NUMBER}\s*(s|ms|cycles?|TMS|TD)(?:\s+at\s+(.+))?", re.IGNORECASE)

AMOUNT_FORMS = "amperes (1530 A, 12 kA) or a multiple with its base (0.8 x sensor, 0.9 x plug, 4 x pickup)"
DELAY_FORMS = "0.3 s, 300 ms, 18 cycles, 8 s at 6 x pickup, or the multiplier of a curve (0.15 TMS, 5 TD)"


class SettingTextError(ValueError):
    """A setting is not written as allowed: what is wrong, what is allowed, how to mend it."""

    def __init__(self, what: str, allowed: str, remedy: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.allowed = allowed
        self.remedy = remedy


class DelayUnit(StrEnum):
    """In what a delay is given."""

    SECONDS = "s"
    CYCLES = "cycles"
    MULTIPLIER = "multiplier"  # of an inverse curve


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """A pickup as written. base: "" for amperes, else what it is a multiple of."""

    number: float
    base: str = ""

    @property
    def text(self) -> str:
        """As it is written in a study."""
        return f"{_plain(self.number)} x {self.base}" if self.base else f"{_plain(self.number)} A"


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """A delay as written. at: the current at which it counts, None where it does not say."""

    number: float
    unit: DelayUnit = DelayUnit.SECONDS
    at: Amount | None = None

    @property
    def text(self) -> str:
        """As it is written in a study."""
        unit = {"s": "s", "cycles": "cycles", "multiplier": "TMS"}[self.unit.value]
        return f"{_plain(self.number)} {unit}" + (f" at {self.at.text}" if self.at else "")

    def value(self, frequency_hz: float) -> float:
        """Seconds, or the multiplier. frequency_hz: of the system, for cycles."""
        return self.number / frequency_hz if self.unit is DelayUnit.CYCLES else self.number


def parse_amount(text: str) -> Amount:
    """The pickup in the text. Raises SettingTextError."""
    plain = " ".join(text.split())
    _refuse_commas(plain, AMOUNT_FORMS)
    match = _AMPERES.fullmatch(plain)
    if match:
        factor = 1000.0 if match.group(2).lower() == "ka" else 1.0
        return Amount(number=_exact(match.group(1), factor))
    match = _TIMES.fullmatch(plain)
    if match is None:
        what = "a number without its unit" if re.fullmatch(_NUMBER, plain) else "this is no pickup"
        raise SettingTextError(what, AMOUNT_FORMS, "write the unit behind the number")
    base = _BASE_WORDS.get((match.group(2) or "").lower())
    if base is None:
        what = "a multiple without its base" if match.group(2) is None else f"{match.group(2)} is no base"
        remedy = "say of what it is a multiple: sensor, plug, or pickup (the long-time pickup)"
        raise SettingTextError(what, AMOUNT_FORMS, remedy)
    return Amount(number=float(match.group(1)), base=base)


def parse_delay(text: str) -> Delay:
    """The delay in the text. Raises SettingTextError."""
    plain = " ".join(text.split())
    _refuse_commas(plain, DELAY_FORMS)
    match = _DELAY.fullmatch(plain)
    if match is None:
        what = "a number without its unit" if re.fullmatch(_NUMBER, plain) else "this is no delay"
        raise SettingTextError(what, DELAY_FORMS, "write the unit behind the number")
    at = parse_amount(match.group(3)) if match.group(3) else None
    unit = match.group(2).lower()
    if unit == "ms":
        return Delay(number=_exact(match.group(1), 0.001), at=at)
    kinds = {"s": DelayUnit.SECONDS, "cycle": DelayUnit.CYCLES, "cycles": DelayUnit.CYCLES}
    return Delay(number=float(match.group(1)), unit=kinds.get(unit, DelayUnit.MULTIPLIER), at=at)


def _exact(number: str, factor: float) -> float:
    """number times factor without the tails of binary fractions."""
    from decimal import Decimal

    return float(Decimal(number) * Decimal(str(factor)))


def _refuse_commas(text: str, allowed: str) -> None:
    if "," in text:
        what = "a comma can be thousands or decimals"
        remedy = "write thousands without a sign (1530), decimals with a point (1.53)"
        raise SettingTextError(what, allowed, remedy)


def _plain(number: float) -> str:
    """The number in its shortest plain form that gives the same number back."""
    if number == int(number) and abs(number) < 1e15:
        return str(int(number))
    from decimal import Decimal

    return f"{Decimal(repr(number)):f}"
