"""Numbers written as decimal digits: packed BCD, one digit a byte, and four digits a register.

    bcd        four digits a register, one a nibble        1234      = 12 34
    bcd_bytes  two digits a register, one a byte           12        = 01 02
    m10k       registers of 0..9999, most significant first  12345678 = 04 D2 16 2E  (1234, 5678)

A digit above 9 (a register above 9999) cannot be decoded: OUT_OF_TYPE, the value is then the bit pattern.
Source: common practice, no source.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable

from probe.model.number_codec import IDENTITY, Scale
from probe.model.reading import Quality, Value

MOST_DIGITS = {"bcd": 4, "bcd_bytes": 2, "m10k": 4}


class DigitDecoder:
    """Decimal digits in 1 to 4 registers; words in rising or falling order.

    low_word_first: the least significant register comes first (orders ``BA``-like do not occur here).
    """

    __slots__ = ("_kind", "_registers", "_reversed", "_unavailable", "scale")

    def __init__(
        self,
        kind: str,
        registers: int,
        scale: Scale = IDENTITY,
        unavailable: Iterable[int] = (),
        *,
        low_word_first: bool = False,
    ) -> None:
        """kind: ``bcd``, ``bcd_bytes`` or ``m10k``; unavailable: bit patterns of all registers."""
        self._kind = kind
        self._registers = registers
        self._reversed = low_word_first
        self._unavailable = tuple(p.to_bytes(2 * registers, "big") for p in unavailable)
        self.scale = scale

    def decode(self, raw: bytes) -> tuple[Value, Quality]:
        plain = self._turn(raw)
        pattern = int.from_bytes(plain, "big")
        if plain in self._unavailable:
            return pattern, Quality.NOT_AVAILABLE
        number = self._from_digits(plain)
        if number is None:
            return pattern, Quality.OUT_OF_TYPE
        return self.scale.apply(number), Quality.GOOD

    def encode(self, value: Value | None) -> bytes:
        if value is None:
            if not self._unavailable:
                raise ValueError("the point has no not-available code")
            return self._turn(self._unavailable[0])
        if isinstance(value, bool | str):
            raise ValueError(f"a number is needed; found {value!r}")  # noqa: TRY004 - Decoder.encode promises it
        number = round(self.scale.undo(value))
        if not 0 <= number < 10 ** (MOST_DIGITS[self._kind] * self._registers):
            raise ValueError(f"{value} does not fit the digits")
        return self._turn(self._to_digits(number))

    def _turn(self, raw: bytes) -> bytes:
        if not self._reversed:
            return raw
        return b"".join(raw[i : i + 2] for i in range(len(raw) - 2, -1, -2))

    def _from_digits(self, plain: bytes) -> int | None:
        if self._kind == "m10k":
            number = 0
            for word in struct.unpack(f">{self._registers}H", plain):
                if word > 9999:
                    return None
                number = number * 10_000 + word
            return number
        digits = plain.hex()
        if self._kind == "bcd_bytes":
            if set(digits[::2]) != {"0"}:
                return None
            digits = digits[1::2]
        return int(digits) if digits.isdecimal() else None

    def _to_digits(self, number: int) -> bytes:
        if self._kind == "m10k":
            words = [number // 10_000**i % 10_000 for i in range(self._registers)]
            return struct.pack(f">{self._registers}H", *reversed(words))
        if self._kind == "bcd":
            return bytes.fromhex(f"{number:0{4 * self._registers}d}")
        return bytes(int(digit) for digit in f"{number:0{2 * self._registers}d}")
