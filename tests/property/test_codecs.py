"""decode(encode(x)) == (x, GOOD) for every codec, and decode never raises for bytes of the right length."""

from __future__ import annotations

import itertools
import math
import struct
from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from probe.model.clock_codec import ENCODINGS, make_clock
from probe.model.clock_decoder import ClockDecoder
from probe.model.clock_stamp import Stamp, stamp_of
from probe.model.codec import Encoding, make_decoder
from probe.model.number_codec import FactoredDecoder, IntegerDecoder
from probe.model.reading import Quality
from probe.model.text_codec import TextDecoder, clean_text
from probe.model.word_order import parse_order

WORDS = {"u16": 1, "i16": 1, "u32": 2, "i32": 2, "u64": 4, "i64": 4}
FAMILY_WORDS = {"AB": "A", "CD": "B", "EF": "C", "GH": "D"}


def all_orders(registers: int) -> list[str]:
    """Every word order, straight and with the bytes swapped: 2, 4 or 48 of them."""
    pairs = ["ABCDEFGH"[i : i + 2] for i in range(0, 2 * registers, 2)]
    straight = ["".join(order) for order in itertools.permutations(pairs)]
    return straight + ["".join(o[i + 1] + o[i] for i in range(0, len(o), 2)) for o in straight]


ORDERS = {registers: all_orders(registers) for registers in (1, 2, 4)}
integers = st.sampled_from(sorted(WORDS)).flatmap(
    lambda kind: st.tuples(st.just(kind), st.sampled_from(ORDERS[WORDS[kind]]))
)


def limits(kind: str) -> tuple[int, int]:
    bits = 16 * WORDS[kind]
    return (0, 2**bits - 1) if kind[0] == "u" else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


@given(integers, st.data())
def test_whole_numbers_come_back(kind_order: tuple[str, str], data: st.DataObject) -> None:
    kind, order = kind_order
    value = data.draw(st.integers(*limits(kind)))
    decoder = make_decoder(Encoding(type=kind, count=WORDS[kind], order=order))
    shown, quality = decoder.decode(decoder.encode(value))
    assert (shown, quality, type(shown)) == (value, Quality.GOOD, int)


@given(
    integers,
    st.decimals(allow_nan=False, allow_infinity=False, min_value="-1000", max_value="1000", places=4),
    st.decimals(allow_nan=False, allow_infinity=False, min_value="-500", max_value="500", places=3),
    st.data(),
)
def test_scaled_numbers_come_back(
    kind_order: tuple[str, str], scale: Decimal, offset: Decimal, data: st.DataObject
) -> None:
    assume(scale != 0)
    kind, order = kind_order
    decoder = make_decoder(Encoding(type=kind, count=WORDS[kind], order=order, scale=scale, offset=offset))
    number = data.draw(st.integers(*limits(kind)))
    raw = parse_order(order, WORDS[kind]).to_wire(
        (number % (1 << 16 * WORDS[kind])).to_bytes(2 * WORDS[kind], "big")
    )
    value, quality = decoder.decode(raw)
    assert quality is Quality.GOOD
    exact = Decimal(number) * scale + offset
    if exact == int(exact) and scale == int(scale) and offset == int(offset):
        assert (value, type(value)) == (int(exact), int)
    else:
        assert value == float(exact)  # the double nearest to the exact decimal result
    assert decoder.decode(decoder.encode(value)) == (value, Quality.GOOD)


@given(st.sampled_from(ORDERS[2]), st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_floats_come_back(order: str, value: float) -> None:
    decoder = make_decoder(Encoding(type="f32", count=2, order=order))
    assert decoder.decode(decoder.encode(value)) == (value, Quality.GOOD)


@given(st.sampled_from(ORDERS[4]), st.floats(allow_nan=False, allow_infinity=False))
def test_doubles_come_back(order: str, value: float) -> None:
    decoder = make_decoder(Encoding(type="f64", count=4, order=order))
    assert decoder.decode(decoder.encode(value)) == (value, Quality.GOOD)


@given(st.binary(min_size=4, max_size=4))
def test_no_float_that_is_not_finite_is_good(raw: bytes) -> None:
    value, quality = make_decoder(Encoding(type="f32", count=2, order="ABCD")).decode(raw)
    assert (quality is Quality.GOOD) == math.isfinite(struct.unpack(">f", raw)[0])
    assert math.isfinite(value)  # type: ignore[arg-type]


@given(st.integers(-(2**31), 2**31 - 1), st.integers(-10, 10))
def test_factored_numbers_come_back(number: int, exponent: int) -> None:
    decoder = make_decoder(Encoding(type="i32", count=2, order="ABCD", factored=True))
    assert isinstance(decoder, FactoredDecoder)
    value, quality = decoder.with_factor(number, exponent)
    assert quality is Quality.GOOD
    assert value == float(Decimal(number).scaleb(exponent))
    assert decoder.number_of(decoder.encode_with(value, exponent)) == number


@given(st.integers(), st.sampled_from([None, -11, 11, -32768, 32767]))
def test_a_number_without_its_factor_is_never_good(number: int, exponent: int | None) -> None:
    decoder = make_decoder(Encoding(type="i16", factored=True))
    assert isinstance(decoder, FactoredDecoder)
    assert decoder.with_factor(number, exponent)[1] is Quality.NO_SCALE


@given(
    integers,
    st.decimals(allow_nan=False, allow_infinity=False, min_value="-10", max_value="10", places=3),
    st.floats(-1e9, 1e9),
    st.floats(0, 1e9),
    st.data(),
)
def test_bounds_of_numbers_agree_with_the_values(
    kind_order: tuple[str, str], scale: Decimal, low: float, width: float, data: st.DataObject
) -> None:
    """The whole-block check compares raw numbers; it must say exactly what comparing values says."""
    assume(scale != 0)
    kind, order = kind_order
    decoder = make_decoder(Encoding(type=kind, count=WORDS[kind], order=order, scale=scale))
    assert isinstance(decoder, IntegerDecoder)
    least, most = limits(kind)
    if data.draw(st.booleans()):  # the very value of a number; many large ones show the same double
        low = float(decoder.from_number(data.draw(st.integers(least, most)), b"")[0])
    high = low + width
    first, last = decoder.number_bounds(low, high)
    near = [n for n in (first - 1, first, last, last + 1) if least <= n <= most]
    number = data.draw(st.one_of(st.integers(least, most), *([st.sampled_from(near)] if near else [])))
    value = decoder.from_number(number, b"")[0]
    assert (first <= number <= last) == (low <= value <= high)


@given(st.sampled_from(["bcd", "bcd_bytes", "m10k"]), st.integers(2, 4), st.booleans(), st.data())
def test_decimal_digits_come_back(kind: str, count: int, low_first: bool, data: st.DataObject) -> None:
    digits = {"bcd": 4, "bcd_bytes": 2, "m10k": 4}[kind] * count
    value = data.draw(st.integers(0, 10**digits - 1))
    order = "CDAB" if low_first else "ABCD"
    decoder = make_decoder(Encoding(type=kind, count=count, order=order))
    assert decoder.decode(decoder.encode(value)) == (value, Quality.GOOD)


@given(st.binary(min_size=8, max_size=8), st.sampled_from(["bcd", "bcd_bytes", "m10k"]))
def test_any_digits_decode_and_what_decodes_encodes_back(raw: bytes, kind: str) -> None:
    decoder = make_decoder(Encoding(type=kind, count=4, order="ABCD"))
    value, quality = decoder.decode(raw)
    if quality is Quality.GOOD:
        assert decoder.encode(value) == raw
    else:
        assert quality is Quality.OUT_OF_TYPE


printable = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), max_size=12)


@given(printable, st.booleans(), st.booleans())
def test_text_comes_back(text: str, swapped: bool, spaces: bool) -> None:
    decoder = TextDecoder(32, swapped=swapped, pad=b" " if spaces else b"\0")
    try:
        raw = decoder.encode(text)
    except ValueError:
        assume(False)
    assert len(raw) == 64
    assert decoder.decode(raw) == (text, Quality.GOOD)


@given(st.binary(max_size=64))
def test_no_text_of_a_device_holds_a_character_that_acts(data: bytes) -> None:
    text, whole = clean_text(data)
    assert all(char.isprintable() for char in text)
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert whole is False or text.encode("utf-8") in data or data.decode("latin-1").strip("\0 \t\r\n") == text


clocks = st.sampled_from([name for name in ENCODINGS if name != "fields"])
moments = st.integers(946_684_800 * 1000, 4_102_444_799_999)  # years 2000 to 2099, in milliseconds


@given(clocks, st.sampled_from(["ABCD", "CDAB", "BADC", "DCBA"]), moments)
def test_clocks_come_back(encoding: str, family: str, moment_ms: int) -> None:
    decoder = make_clock(encoding, family=family)
    value = moment_ms / 1000 if decoder.resolution_s < 1 else moment_ms // 1000
    raw = decoder.encode(value)
    assert len(raw) == 2 * decoder.registers
    assert decoder.decode(raw) == (value, Quality.GOOD)


LISTS = [
    ("year", "month", "day", "hour", "minute", "second"),
    ("month/day", "year/hour", "minute/second", "millisecond"),
    ("second", "minute", "hour", "weekday/day", "month", "year"),
    ("unused", "year", "month/day", "hour/minute", "second_ms"),
]


@given(st.sampled_from(LISTS), st.booleans(), moments)
def test_clocks_field_by_field_come_back(fields: tuple[str, ...], bcd: bool, moment_ms: int) -> None:
    assume(not (bcd and "second_ms" in fields))  # five digits do not fit a register of BCD
    decoder = make_clock("fields", fields=fields, bcd=bcd)
    value = moment_ms / 1000 if decoder.resolution_s < 1 else moment_ms // 1000
    assert decoder.decode(decoder.encode(value)) == (value, Quality.GOOD)


@given(clocks, st.data())
def test_clocks_never_raise(encoding: str, data: st.DataObject) -> None:
    decoder = make_clock(encoding)
    raw = data.draw(st.binary(min_size=2 * decoder.registers, max_size=2 * decoder.registers))
    _value, quality = decoder.decode(raw)
    assert (quality is Quality.OUT_OF_TYPE) == (decoder.stamp(raw) is None)


@given(moments, st.booleans(), st.booleans())
def test_flags_of_cp56_come_back(moment_ms: int, invalid: bool, summer: bool) -> None:
    decoder = make_clock("cp56_fields")
    stamp = stamp_of(moment_ms // 1000, moment_ms % 1000)._replace(invalid=invalid, summer=summer)
    assert decoder.stamp(decoder.encode_stamp(stamp)) == stamp


@pytest.mark.parametrize("encoding", [name for name in ENCODINGS if name not in ("fields",)])
def test_all_zeros(encoding: str) -> None:
    """Zeros are a moment for counts of seconds, and impossible where a month is shown."""
    decoder = make_clock(encoding)
    assert isinstance(decoder, ClockDecoder)
    _value, quality = decoder.decode(bytes(2 * decoder.registers))
    counted = encoding.startswith(("unix", "since"))
    assert quality is (Quality.GOOD if counted else Quality.OUT_OF_TYPE)


def test_stamp_is_a_moment() -> None:
    assert Stamp(1970, 1, 2, 0, 0, 1).wall_s == 86_401
