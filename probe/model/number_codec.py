"""Numbers in registers: whole and floating, scaled, with not-available codes.

A scale is an exact decimal. Whole numbers stay whole (scale 10, offset 0 gives an int); with a fraction
the value is the double nearest to the exact result, because Python divides whole numbers exactly:
2771 with scale 0.1 is 277.1 and not 277.10000000000002.

When the quality is not GOOD, the value is the number as the registers held it, before any scale (for NaN
and infinity: the bit pattern as a whole number). It is for display only.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterable
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from probe.model.reading import Quality, Value
from probe.model.word_order import WordOrder

GOOD = Quality.GOOD
CODES = {"u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q", "i64": "q", "f32": "f", "f64": "d"}

# The exponents that a scale-factor register may hold; SunSpec: -10 to 10 (range from memory).
EXPONENTS = range(-10, 11)


class Scale(NamedTuple):
    """value = (number * gain + shift) / divisor, all whole; divisor is a power of ten."""

    gain: int
    shift: int
    divisor: int

    @property
    def decimals(self) -> int:
        """Digits after the point that this scale can carry."""
        return len(str(self.divisor)) - 1

    def apply(self, number: int | float) -> int | float:
        """The scaled value of a number; whole if the number is and the divisor is 1."""
        scaled = number * self.gain + self.shift
        return scaled if self.divisor == 1 else scaled / self.divisor

    def undo(self, value: int | float) -> Fraction:
        """The exact number whose scaled value is ``value``."""
        return (Fraction(value) * self.divisor - self.shift) / self.gain


def exact_scale(scale: Decimal, offset: Decimal) -> Scale:
    """The scale as whole numbers. Raises ValueError if scale is zero or either is not finite."""
    if not (scale.is_finite() and offset.is_finite()) or scale == 0:
        raise ValueError("scale must be a number other than zero, and offset a number")
    if abs(scale.adjusted()) > 40 or (offset and abs(offset.adjusted()) > 40):
        raise ValueError("scale and offset must lie within 1e-40 and 1e40")
    exponents = [value.normalize().as_tuple().exponent for value in (scale, offset)]
    places = max(0, *(-e for e in exponents if isinstance(e, int)))
    divisor = 10**places
    return Scale(int(scale * divisor), int(offset * divisor), divisor)


IDENTITY = Scale(1, 0, 1)


def _same(number: int) -> int:
    return number


def _value_of(scale: Scale) -> Callable[[int], int | float]:
    """The cheapest function that applies the scale; decided once, at load."""
    gain, shift, divisor = scale
    if scale == IDENTITY:
        return _same
    if divisor == 1:
        return lambda number: number * gain + shift
    if shift == 0 and gain == 1:
        return lambda number: number / divisor
    return lambda number: (number * gain + shift) / divisor


class IntegerDecoder:
    """Whole numbers of 16, 32 or 64 bit, signed or not; also enumerations and bit fields (scale 1).

    code: letter of ``struct`` for the number; order: its layout. Both are used by ``BlockDecoder``, which
    hands the unpacked number to ``from_number``.
    """

    __slots__ = ("_pack", "_unavailable", "_value", "code", "order", "scale")

    def __init__(self, code: str, order: WordOrder, scale: Scale, unavailable: Iterable[int] = ()) -> None:
        """unavailable: bit patterns (unsigned) that mean "no value"; the first is what None encodes to."""
        self.code = code
        self.order = order
        self.scale = scale
        self._pack = struct.Struct(">" + code)
        size = self._pack.size
        # Kept as numbers of the type (signed where it is), in the order given: compared after unpacking.
        self._unavailable = {self._pack.unpack(p.to_bytes(size, "big"))[0]: None for p in unavailable}
        self._value = _value_of(scale)

    @property
    def unavailable_numbers(self) -> frozenset[int]:
        """The numbers that mean "no value", as unpacked."""
        return frozenset(self._unavailable)

    def decode(self, raw: bytes) -> tuple[Value, Quality]:
        return self.from_number(self._pack.unpack(self.order.to_plain(raw))[0], raw)

    def from_number(self, number: int, _raw: bytes) -> tuple[Value, Quality]:
        """The same as ``decode`` for a number that is already unpacked."""
        if number in self._unavailable:
            return number, Quality.NOT_AVAILABLE
        return self._value(number), GOOD

    def encode(self, value: Value | None) -> bytes:
        return self._registers(self._number(value, self.scale))

    def _number(self, value: Value | None, scale: Scale) -> int:
        if value is None:
            if not self._unavailable:
                raise ValueError("the point has no not-available code")
            first: int = next(iter(self._unavailable))
            return first
        number = self._fitting(round(scale.undo(_as_number(value))), scale, value)
        if number in self._unavailable:
            raise ValueError(f"{value} is the point's not-available code {number}")
        return number

    def _fitting(self, number: int, scale: Scale, value: Value) -> int:
        """The number, or the type's last one if that shows the same value (a double may round beyond it)."""
        least, most = self._ends()
        last = min(max(number, least), most)
        return last if scale.apply(last) == value else number

    def _ends(self) -> tuple[int, int]:
        bits = 8 * self._pack.size
        return (-(1 << bits - 1), (1 << bits - 1) - 1) if self.code.islower() else (0, (1 << bits) - 1)

    def _registers(self, number: int) -> bytes:
        try:
            return self.order.to_wire(self._pack.pack(number))
        except struct.error as error:
            raise ValueError(f"{number} does not fit the type") from error

    def number_bounds(self, low: float | None, high: float | None) -> tuple[int, int]:
        """Smallest and largest number whose value lies within low..high; of the type where None."""
        return self._bounds(self.scale, self._value, low, high)

    def _bounds(
        self, scale: Scale, value: Callable[[int], int | float], low: float | None, high: float | None
    ) -> tuple[int, int]:
        least, most = self._ends()
        if scale.gain < 0:  # values fall as numbers rise: look at the mirrored values
            mirrored = None if high is None else -high, None if low is None else -low
            return self._bounds(
                Scale(-scale.gain, -scale.shift, scale.divisor), lambda n: -value(n), *mirrored
            )
        if low is not None:
            least = max(least, _edge(scale, value, low, at_least=True))
        if high is not None:
            most = min(most, _edge(scale, value, high, at_least=False))
        return least, most


def _edge(scale: Scale, value: Callable[[int], int | float], end: float, *, at_least: bool) -> int:
    """First number whose value is at least ``end`` (or last at most), judged by the values themselves.

    The exact solution can be one off: 0.1 as a double is more than a tenth, yet number 1 shows 0.1.
    """
    number = round(scale.undo(end))
    if at_least:
        while value(number) < end:
            number += 1
        while value(number - 1) >= end:
            number -= 1
        return number
    return -_edge(Scale(scale.gain, -scale.shift, scale.divisor), lambda n: -value(-n), -end, at_least=True)


class FactoredDecoder(IntegerDecoder):
    """A whole number whose power of ten stands in another register (SunSpec sunssf).

    Alone it cannot be scaled, so ``decode`` gives the bare number with NO_SCALE: an unscaled number is
    never handed out as GOOD. ``BlockDecoder`` reads the factor from the same block (both share an atom)
    and calls ``with_factor``.
    """

    __slots__ = ("_by_exponent", "_scales")

    def __init__(self, code: str, order: WordOrder, scale: Scale, unavailable: Iterable[int] = ()) -> None:
        super().__init__(code, order, scale, unavailable)
        self._scales = {exponent: _times_ten(scale, exponent) for exponent in EXPONENTS}
        self._by_exponent = {exponent: _value_of(by_ten) for exponent, by_ten in self._scales.items()}

    def from_number(self, number: int, _raw: bytes) -> tuple[Value, Quality]:
        return number, Quality.NOT_AVAILABLE if number in self._unavailable else Quality.NO_SCALE

    def with_factor(self, number: int, exponent: int | None) -> tuple[Value, Quality]:
        """The number times ten to the exponent; NO_SCALE if the exponent is None or outside -10..10."""
        if number in self._unavailable:
            return number, Quality.NOT_AVAILABLE
        value = self._by_exponent.get(exponent) if exponent is not None else None
        return (number, Quality.NO_SCALE) if value is None else (value(number), GOOD)

    def encode(self, value: Value | None) -> bytes:
        """Registers of None (not available) only: a value needs ``encode_with``. Raises ValueError."""
        if value is not None:
            raise ValueError("the value depends on a scale-factor register; use encode_with")
        return super().encode(None)

    def encode_with(self, value: Value | None, exponent: int) -> bytes:
        """The registers that show the value when the factor register holds the exponent."""
        if exponent not in self._scales:
            raise ValueError(f"a scale factor is -10 to 10; found {exponent}")
        return self._registers(self._number(value, self._scales[exponent]))

    def factored_bounds(self, exponent: int, low: float | None, high: float | None) -> tuple[int, int]:
        """``number_bounds`` under the exponent (-10..10)."""
        return self._bounds(self._scales[exponent], self._by_exponent[exponent], low, high)

    def number_of(self, raw: bytes) -> int:
        """The number in the registers, before any scale."""
        number: int = self._pack.unpack(self.order.to_plain(raw))[0]
        return number


def _times_ten(scale: Scale, exponent: int) -> Scale:
    """The scale with its result times ten to the exponent, in lowest powers of ten."""
    gain, shift, divisor = scale
    while exponent > 0 and divisor > 1:
        divisor, exponent = divisor // 10, exponent - 1
    if exponent >= 0:
        return Scale(gain * 10**exponent, shift * 10**exponent, divisor)
    divisor *= 10**-exponent
    while divisor > 1 and gain % 10 == 0 and shift % 10 == 0:
        gain, shift, divisor = gain // 10, shift // 10, divisor // 10
    return Scale(gain, shift, divisor)


class FloatDecoder:
    """IEEE 754 numbers of 32 or 64 bit. NaN and infinity are never GOOD.

    A NaN is NOT_AVAILABLE where the profile says so (``nan`` or its bit pattern), else NOT_A_NUMBER.
    """

    __slots__ = ("_any_nan", "_first", "_numbers", "_pack", "_patterns", "_plain", "code", "order", "scale")

    def __init__(
        self, code: str, order: WordOrder, scale: Scale, unavailable: Iterable[int] = (), *, any_nan: bool
    ) -> None:
        """unavailable: bit patterns that mean "no value". any_nan: every NaN means it too."""
        self.code = code
        self.order = order
        self.scale = scale
        self._pack = struct.Struct(">" + code)
        self._patterns = tuple(unavailable)
        decoded = [self._pack.unpack(p.to_bytes(self._pack.size, "big"))[0] for p in self._patterns]
        self._numbers = frozenset(number for number in decoded if math.isfinite(number))
        self._any_nan = any_nan
        self._first = self._no_value()
        self._plain = scale == IDENTITY

    def _no_value(self) -> bytes | None:
        if self._patterns:
            return self._patterns[0].to_bytes(self._pack.size, "big")
        return self._pack.pack(math.nan) if self._any_nan else None

    @property
    def unavailable_numbers(self) -> frozenset[float]:
        """The finite numbers that mean "no value" (such as -9999)."""
        return self._numbers

    def decode(self, raw: bytes) -> tuple[Value, Quality]:
        return self.from_number(self._pack.unpack(self.order.to_plain(raw))[0], raw)

    def from_number(self, number: float, raw: bytes) -> tuple[Value, Quality]:
        """The same as ``decode`` for a number that is already unpacked; raw tells one NaN from another."""
        if number - number != 0.0:  # NaN and both infinities, and nothing else
            return self._not_finite(number, raw)
        if number in self._numbers:
            return number, Quality.NOT_AVAILABLE
        return (number if self._plain else self.scale.apply(number)), GOOD

    def _not_finite(self, number: float, raw: bytes) -> tuple[Value, Quality]:
        pattern = int.from_bytes(self.order.to_plain(raw), "big")
        missing = pattern in self._patterns or (self._any_nan and math.isnan(number))
        return pattern, Quality.NOT_AVAILABLE if missing else Quality.NOT_A_NUMBER

    def encode(self, value: Value | None) -> bytes:
        if value is None:
            if self._first is None:
                raise ValueError("the point has no not-available code")
            return self.order.to_wire(self._first)
        number = _as_number(value, finite=False)
        if math.isfinite(number) and not self._plain:
            number = float(self.scale.undo(number))
        try:
            return self.order.to_wire(self._pack.pack(number))
        except OverflowError as error:
            raise ValueError(f"{value} does not fit the type") from error

    def number_bounds(self, low: float | None, high: float | None) -> tuple[float, float]:
        """Ends between which a number is in range and finite."""
        most = (
            struct.unpack(">f", bytes.fromhex("7F7FFFFF"))[0] if self.code == "f" else 1.7976931348623157e308
        )
        ends = [None if end is None else float(self.scale.undo(end)) for end in (low, high)]
        if self.scale.gain < 0:
            ends.reverse()
        return (-most if ends[0] is None else ends[0], most if ends[1] is None else ends[1])


def _as_number(value: Value, *, finite: bool = True) -> int | float:
    """The value if it is a number. Raises ValueError for text, truth values, and NaN where not allowed."""
    if isinstance(value, bool | str):
        raise ValueError(f"a number is needed; found {value!r}")  # noqa: TRY004 - Decoder.encode promises it
    if finite and not math.isfinite(value):
        raise ValueError(f"a finite number is needed; found {value}")
    return value
