"""Numbers: not-available codes, quality, scale, and what encode refuses."""

from __future__ import annotations

import math
import struct
from decimal import Decimal

import pytest

from probe.model.codec import Encoding, make_decoder
from probe.model.number_codec import FactoredDecoder, FloatDecoder, IntegerDecoder, exact_scale
from probe.model.reading import Quality

NAN = bytes.fromhex("7FC00000")


def test_whole_numbers_stay_whole() -> None:
    decoder = make_decoder(Encoding(type="u16", scale=Decimal("10"), offset=Decimal("-5")))
    value, _ = decoder.decode(b"\x00\x07")
    assert (value, type(value)) == (65, int)


def test_decimals_are_what_the_scale_carries() -> None:
    table = {"1": 0, "10": 0, "0.1": 1, "0.01": 2, "0.25": 2, "1.50": 1, "1E-3": 3}
    assert {text: exact_scale(Decimal(text), Decimal(0)).decimals for text in table} == table
    assert exact_scale(Decimal(1), Decimal("0.5")).decimals == 1


@pytest.mark.parametrize("text", ["0", "NaN", "Infinity", "1E+400"])
def test_impossible_scales_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="scale"):
        exact_scale(Decimal(text), Decimal(0))


def test_several_codes_for_no_value() -> None:
    decoder = make_decoder(Encoding(type="i16", not_available=("0x8000", "-1", "32767")))
    for raw in (b"\x80\x00", b"\xff\xff", b"\x7f\xff"):
        assert decoder.decode(raw)[1] is Quality.NOT_AVAILABLE
    assert decoder.decode(b"\x80\x01") == (-32767, Quality.GOOD)
    assert decoder.encode(None) == b"\x80\x00"  # the first code
    with pytest.raises(ValueError, match="not-available code"):
        decoder.encode(-1)


def test_codes_are_compared_before_the_scale() -> None:
    decoder = make_decoder(Encoding(type="u16", scale=Decimal("0.1"), not_available=("0xFFFF",)))
    assert decoder.decode(b"\xff\xff") == (65535, Quality.NOT_AVAILABLE)
    assert decoder.decode(b"\x0a\xd3") == (277.1, Quality.GOOD)


def test_codes_are_compared_in_the_plain_order() -> None:
    decoder = make_decoder(Encoding(type="u32", count=2, order="CDAB", not_available=("0x0000FFFF",)))
    assert decoder.decode(bytes.fromhex("FFFF0000"))[1] is Quality.NOT_AVAILABLE
    assert decoder.decode(bytes.fromhex("0000FFFF"))[1] is Quality.GOOD


def test_nan_and_infinity_are_not_numbers() -> None:
    decoder = make_decoder(Encoding(type="f32", count=2, order="ABCD"))
    assert decoder.decode(NAN) == (0x7FC00000, Quality.NOT_A_NUMBER)
    for infinity in (math.inf, -math.inf):
        assert decoder.decode(struct.pack(">f", infinity))[1] is Quality.NOT_A_NUMBER


def test_nan_means_not_available_only_where_the_profile_says_so() -> None:
    one = make_decoder(Encoding(type="f32", count=2, order="ABCD", not_available=("0x7FC00000",)))
    every = make_decoder(Encoding(type="f32", count=2, order="ABCD", not_available=("nan",)))
    other_nan = bytes.fromhex("7FC00001")
    assert one.decode(NAN)[1] is Quality.NOT_AVAILABLE
    assert one.decode(other_nan)[1] is Quality.NOT_A_NUMBER
    assert every.decode(other_nan)[1] is Quality.NOT_AVAILABLE
    assert every.decode(struct.pack(">f", math.inf))[1] is Quality.NOT_A_NUMBER
    assert every.encode(None) == NAN


def test_a_number_may_be_the_code_of_a_float() -> None:
    decoder = make_decoder(Encoding(type="f32", count=2, order="ABCD", not_available=("-9999",)))
    assert decoder.decode(struct.pack(">f", -9999.0)) == (-9999.0, Quality.NOT_AVAILABLE)


def test_a_factored_number_alone_has_no_scale() -> None:
    decoder = make_decoder(Encoding(type="i16", factored=True, not_available=("0x8000",)))
    assert isinstance(decoder, FactoredDecoder)
    assert decoder.decode(b"\x0a\xd3") == (2771, Quality.NO_SCALE)
    assert decoder.decode(b"\x80\x00")[1] is Quality.NOT_AVAILABLE
    assert decoder.with_factor(2771, -1) == (277.1, Quality.GOOD)
    assert decoder.with_factor(-123, 2) == (-12_300, Quality.GOOD)
    with pytest.raises(ValueError, match="encode_with"):
        decoder.encode(277.1)
    assert decoder.encode_with(277.1, -1) == b"\x0a\xd3"
    with pytest.raises(ValueError, match="-10 to 10"):
        decoder.encode_with(277.1, 11)


def test_a_factor_meets_a_scale() -> None:
    decoder = make_decoder(Encoding(type="i16", factored=True, scale=Decimal("0.01")))
    assert isinstance(decoder, FactoredDecoder)
    assert decoder.with_factor(8512, -2) == (0.8512, Quality.GOOD)
    assert decoder.with_factor(85, 2) == (85, Quality.GOOD)
    assert decoder.with_factor(85, 3) == (850, Quality.GOOD)


@pytest.mark.parametrize("value", ["1", True, math.nan, math.inf, 65_536, -1])
def test_what_does_not_fit_is_refused(value: object) -> None:
    with pytest.raises(ValueError, match=r"needed|fit"):
        make_decoder(Encoding(type="u16")).encode(value)  # type: ignore[arg-type]


def test_no_code_for_no_value_is_refused() -> None:
    for encoding in (Encoding(type="u16"), Encoding(type="f32", count=2, order="ABCD"), Encoding(type="bcd")):
        plain = encoding if encoding.type != "bcd" else Encoding(type="bcd", order="ABCD")
        with pytest.raises(ValueError, match="not-available"):
            make_decoder(plain).encode(None)


def test_a_double_that_rounds_beyond_the_type_still_encodes() -> None:
    """2**64 - 1 tenths: the nearest double is larger than the type's last value."""
    decoder = make_decoder(Encoding(type="u64", count=4, order="ABCDEFGH", scale=Decimal("0.1")))
    value, _ = decoder.decode(b"\xff" * 8)
    assert decoder.decode(decoder.encode(value)) == (value, Quality.GOOD)


def test_bounds_take_in_every_number_that_shows_the_end() -> None:
    """Large numbers share doubles: the first that shows the end belongs to the range."""
    decoder = make_decoder(Encoding(type="u64", count=4, order="ABCDEFGH", scale=Decimal("0.1")))
    assert isinstance(decoder, IntegerDecoder)
    end = decoder.from_number(2**63 + 5, b"")[0]
    first, _ = decoder.number_bounds(end, None)  # type: ignore[arg-type]
    assert decoder.from_number(first, b"")[0] == end
    assert decoder.from_number(first - 1, b"")[0] < end  # type: ignore[operator]


def test_a_tenth_is_in_the_range_of_a_tenth() -> None:
    decoder = make_decoder(Encoding(type="u16", scale=Decimal("0.1")))
    assert isinstance(decoder, IntegerDecoder)
    assert decoder.number_bounds(0.1, 0.3) == (1, 3)


def test_a_falling_scale_turns_the_bounds() -> None:
    decoder = make_decoder(Encoding(type="u16", scale=Decimal("-0.5"), offset=Decimal(100)))
    assert isinstance(decoder, IntegerDecoder)
    assert decoder.number_bounds(0.0, 90.0) == (20, 200)


def test_a_scaled_float() -> None:
    decoder = make_decoder(Encoding(type="f32", count=2, order="ABCD", scale=Decimal("0.001")))
    assert isinstance(decoder, FloatDecoder)
    assert decoder.decode(struct.pack(">f", 480_000.0)) == (480.0, Quality.GOOD)
    assert decoder.encode(480.0) == struct.pack(">f", 480_000.0)
    with pytest.raises(ValueError, match="fit"):
        decoder.encode(1e38)


@pytest.mark.parametrize(
    ("encoding", "words"),
    [
        (Encoding(type="u16", count=2), "takes 1 registers"),
        (Encoding(type="text", count=126), "takes 1 to 125"),
        (Encoding(type="u32", count=2, order="ABDC"), "all straight or all swapped"),
        (Encoding(type="u32", count=2, order="AB"), "letters ABCD"),
        (Encoding(type="u16", not_available=("65536",)), "does not fit u16"),
        (Encoding(type="u16", not_available=("0x10000",)), "wider"),
        (Encoding(type="u16", not_available=("none",)), "no whole number"),
        (Encoding(type="f32", count=2, order="ABCD", not_available=("none",)), "no number"),
        (Encoding(type="text", count=2, not_available=("0",)), "empty"),
        (Encoding(type="text", count=2, order="ABCD"), "AB, or BA"),
        (Encoding(type="clock", count=2, order="ABCD", clock="unix"), "unix"),
    ],
)
def test_impossible_encodings_are_refused_in_words(encoding: Encoding, words: str) -> None:
    with pytest.raises((ValueError, KeyError), match=words):
        make_decoder(encoding)
