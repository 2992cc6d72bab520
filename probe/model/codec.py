"""Which decoder a type of point gets; decided once, when a profile is loaded.

Types (``TYPES``) and the registers that each takes:

    u16 i16                1      whole numbers           enum16 enum32   1, 2   one of a list of values
    u32 i32 f32            2                              bits16 bits32   1, 2   single bits with names
    u64 i64 f64            4                              bits64          4
    bcd bcd_bytes          1..4   decimal digits          sunssf          1      power of ten, -10..10
    m10k                   2..4   0..9999 a register      text            1..125
    clock                  by its encoding (``clock_codec``)
    bit                    a coil or discrete input

A decoder's ``decode`` never raises for the right number of bytes, and ``decode(encode(x)) == (x, GOOD)``
for every x that ``encode`` takes and the type can show.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from decimal import Decimal

from probe.model.clock_codec import clock_registers, make_clock
from probe.model.digit_codec import DigitDecoder
from probe.model.number_codec import (
    CODES,
    FactoredDecoder,
    FloatDecoder,
    IntegerDecoder,
    exact_scale,
)
from probe.model.profile import Decoder
from probe.model.text_codec import BitDecoder, TextDecoder
from probe.model.word_order import parse_order

# type: (registers or (least, most), code of struct)
_NUMBERS = {
    **{name: (struct.calcsize(">" + code) // 2, code) for name, code in CODES.items()},
    "enum16": (1, "H"), "enum32": (2, "I"), "bits16": (1, "H"), "bits32": (2, "I"), "bits64": (4, "Q"),
    "sunssf": (1, "h"),
}  # fmt: skip
_LENGTHS = {"bcd": (1, 4), "bcd_bytes": (1, 4), "m10k": (2, 4), "text": (1, 125)}

TYPES = (*_NUMBERS, *_LENGTHS, "clock", "bit")
FLOATS = ("f32", "f64")
SCALED = ("u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd", "bcd_bytes", "m10k")
FACTORED = ("u16", "i16", "u32", "i32", "u64", "i64")
ENUMERATIONS = ("enum16", "enum32")
BIT_FIELDS = ("bits16", "bits32", "bits64")
MEASURED = (*SCALED,)  # types that show a quantity and therefore need a unit or an explicit none


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoding:
    """How a value lies in its registers; all that ``make_decoder`` needs.

    count: registers (1 for a bit). order: letters of the number's bytes; for text ``AB`` or ``BA``; for
    clocks and decimal digits one of the four families ABCD, CDAB, BADC, DCBA.
    not_available: as written in a profile: ``0x8000`` is the bit pattern of the whole value, ``-9999`` the
    number before scaling, ``nan`` any NaN, ``empty`` and ``erased`` text of only 00 or FF.
    factored: the power of ten stands in another register. clock, fields, bcd: see ``clock_codec``.
    pad: what ``encode`` fills text with, ``nul`` or ``space``.
    """

    type: str
    count: int = 1
    order: str = "AB"
    scale: Decimal = Decimal(1)
    offset: Decimal = Decimal(0)
    not_available: tuple[str, ...] = ()
    factored: bool = False
    clock: str = ""
    fields: tuple[str, ...] = ()
    bcd: bool = False
    pad: str = "nul"


def registers_allowed(type_name: str, clock: str = "", fields: tuple[str, ...] = ()) -> tuple[int, int]:
    """Fewest and most registers that a point of the type takes. Raises KeyError for an unknown type."""
    if type_name == "bit":
        return 1, 1
    if type_name == "clock":
        registers = clock_registers(clock, fields)
        return registers, registers
    if type_name in _NUMBERS:
        return _NUMBERS[type_name][0], _NUMBERS[type_name][0]
    return _LENGTHS[type_name]


def number_registers(type_name: str) -> int | None:
    """Registers of a type whose bytes have an order of letters (AB, ABCD, ABCDEFGH); None for others."""
    return _NUMBERS[type_name][0] if type_name in _NUMBERS else None


def make_decoder(encoding: Encoding) -> Decoder:
    """The ready decoder. Raises ValueError, in words for the profile's author, if it cannot be."""
    kind = encoding.type
    least, most = registers_allowed(kind, encoding.clock, encoding.fields)
    if not least <= encoding.count <= most:
        raise ValueError(f"{kind} takes {least if least == most else f'{least} to {most}'} registers")
    if kind == "bit":
        return BitDecoder()
    if kind == "text":
        return _text(encoding)
    patterns = tuple(_pattern(text, encoding) for text in encoding.not_available if text.lower() != "nan")
    if kind == "clock":
        return make_clock(
            encoding.clock,
            family=encoding.order,
            fields=encoding.fields,
            bcd=encoding.bcd,
            unavailable=patterns,
        )
    if kind in _NUMBERS:
        return _number(encoding, patterns)
    low_first = encoding.order == "CDAB"
    scale = exact_scale(encoding.scale, encoding.offset)
    return DigitDecoder(kind, encoding.count, scale, patterns, low_word_first=low_first)


def _number(encoding: Encoding, patterns: tuple[int, ...]) -> Decoder:
    registers, code = _NUMBERS[encoding.type]
    order = parse_order(encoding.order, registers)
    scale = exact_scale(encoding.scale, encoding.offset)
    any_nan = any(text.lower() == "nan" for text in encoding.not_available)
    if encoding.type in FLOATS:
        return FloatDecoder(code, order, scale, patterns, any_nan=any_nan)
    if any_nan:
        raise ValueError("nan is a not-available value of f32 and f64 only")
    return (FactoredDecoder if encoding.factored else IntegerDecoder)(code, order, scale, patterns)


def _text(encoding: Encoding) -> TextDecoder:
    unknown = [text for text in encoding.not_available if text not in ("empty", "erased")]
    if unknown:
        raise ValueError("text can be not available as empty (all 00) or erased (all FF)")
    if encoding.order not in ("AB", "BA"):
        raise ValueError("the order of text is AB, or BA when the bytes of each register are swapped")
    return TextDecoder(
        encoding.count,
        swapped=encoding.order == "BA",
        pad=b" " if encoding.pad == "space" else b"\0",
        empty_is_missing="empty" in encoding.not_available,
        erased_is_missing="erased" in encoding.not_available,
    )


def _pattern(text: str, encoding: Encoding) -> int:
    """The unsigned bit pattern that a not-available value is written as."""
    bits = 16 * encoding.count
    if text.lower().startswith("0x"):
        pattern = _whole(text, 16)
    elif encoding.type in FLOATS:
        pattern = int.from_bytes(_pack_float(text, encoding.type), "big")
    else:
        pattern = _whole(text, 10)
        least, most = _number_range(encoding.type, bits)
        if not least <= pattern <= most:
            raise ValueError(f"{text} does not fit {encoding.type} ({least} to {most})")
        pattern &= (1 << bits) - 1
    if pattern >> bits:
        raise ValueError(f"{text} is wider than the point ({bits} bits)")
    return pattern


def _whole(text: str, base: int) -> int:
    try:
        return int(text, base)
    except ValueError:
        raise ValueError(f"{text} is no whole number (as 65535) and no bit pattern (as 0xFFFF)") from None


def _pack_float(text: str, type_name: str) -> bytes:
    try:
        number = float(text)
        if math.isnan(number):
            raise ValueError
        return struct.pack(">" + CODES[type_name], number)
    except (ValueError, OverflowError):
        raise ValueError(f"{text} is no number that {type_name} can hold") from None


def _number_range(type_name: str, bits: int) -> tuple[int, int]:
    signed = type_name in _NUMBERS and _NUMBERS[type_name][1].islower()
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
