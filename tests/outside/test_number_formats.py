"""Published number formats and clock octets, and second opinions by numpy.

Sources: check values 3.5 (number formats, computed from IEEE 754), 2.3 (CP56Time2a, IEC 60870-5-4, 6.8),
2.4 (register pairs); numpy as an independent implementation of byte orders.
"""

from __future__ import annotations

import datetime as dt
import struct

import numpy as np
import pytest

from probe.model.clock_codec import make_clock
from probe.model.clock_cp56 import read_cp56, write_cp56
from probe.model.clock_stamp import Stamp
from probe.model.codec import Encoding, make_decoder
from probe.model.reading import Quality

H = bytes.fromhex

# value: the same float in the four orders (check values, 3.5)
FLOATS = {
    123.456: ("42F6E979", "E97942F6", "F64279E9", "79E9F642"),
    480.0: ("43F00000", "000043F0", "F0430000", "0000F043"),
    60.0: ("42700000", "00004270", "70420000", "00007042"),
    0.85: ("3F59999A", "999A3F59", "593F9A99", "9A99593F"),
    -1.0: ("BF800000", "0000BF80", "80BF0000", "000080BF"),
}
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("value", FLOATS)
def test_published_floats_both_ways(value: float, order: str) -> None:
    raw = H(FLOATS[value][ORDERS.index(order)])
    decoder = make_decoder(Encoding(type="f32", count=2, order=order))
    shown, quality = decoder.decode(raw)
    assert quality is Quality.GOOD
    assert shown == struct.unpack(">f", struct.pack(">f", value))[0]
    assert decoder.encode(value) == raw


def test_480_volts_in_the_wrong_order() -> None:
    """check values 3.5: 2.437e-41, -2.414e+29, 8.619e-41: the signature of a wrong order."""
    wrong = {"CDAB": 2.437e-41, "BADC": -2.414e29, "DCBA": 8.619e-41}
    for order, expected in wrong.items():
        shown, _ = make_decoder(Encoding(type="f32", count=2, order=order)).decode(H("43F00000"))
        assert shown == pytest.approx(expected, rel=1e-3)


def test_published_u32_in_all_orders() -> None:
    """check values 3.5: 123456789 = 075BCD15."""
    expected = {"ABCD": 123456789, "CDAB": 3440707419, "BADC": 1527190989, "DCBA": 365779719}
    for order, number in expected.items():
        decoder = make_decoder(Encoding(type="u32", count=2, order=order))
        assert decoder.decode(H("075BCD15")) == (number, Quality.GOOD)


def test_published_f64() -> None:
    decoder = make_decoder(Encoding(type="f64", count=4, order="ABCDEFGH"))
    assert decoder.decode(H("40FE240C9FBE76C9")) == (123456.789, Quality.GOOD)


def test_published_register_pair_of_a_clock() -> None:
    """check values 2.4: 2026-01-01 = 6955 B900; word-swapped it is 2068-05-09T17:58:45Z."""
    assert make_clock("unix_s").decode(H("6955B900")) == (1_767_225_600, Quality.GOOD)
    swapped = make_clock("unix_s", family="CDAB")
    assert swapped.decode(H("6955B900")) == (3_103_811_925, Quality.GOOD)
    when = dt.datetime(2068, 5, 9, 17, 58, 45, tzinfo=dt.UTC)
    assert when.timestamp() == 3_103_811_925
    assert make_clock("since_1900_s").decode(H("ED003780")) == (1_767_225_600, Quality.GOOD)


def test_ntp_era_1() -> None:
    """RFC 5905, Figure 4: era 1 begins 2036-02-07T06:28:16Z."""
    era_1 = dt.datetime(2036, 2, 7, 6, 28, 16, tzinfo=dt.UTC).timestamp()
    assert make_clock("since_1900_s").decode(H("00000000")) == (era_1, Quality.GOOD)
    assert make_clock("since_1900_s").encode(int(era_1)) == H("00000000")


# (octets, stamp, Unix seconds) of check values 2.3
CP56 = [
    ("55D11A09CE031A", Stamp(2026, 3, 14, 9, 26, 53, 589, 6, False, False)),
    ("5FEABB97C4071A", Stamp(2026, 7, 4, 23, 59, 59, 999, 6, True, True)),
    ("00000000010100", Stamp(2000, 1, 1, 0, 0, 0, 0, 0, False, False)),
    ("010000009F0C63", Stamp(2099, 12, 31, 0, 0, 0, 1, 4, False, False)),
]


@pytest.mark.parametrize(("octets", "stamp"), CP56)
def test_published_cp56_octets_both_ways(octets: str, stamp: Stamp) -> None:
    assert read_cp56(H(octets)) == stamp
    assert write_cp56(stamp) == H(octets)
    assert stamp.weekday_agrees


@pytest.mark.parametrize(
    ("encoding", "registers"),
    [
        ("cp56_octets", "55D11A09CE031A00"),
        ("cp56_octets_swapped", "D155091A03CE001A"),
        ("cp56_fields", "001A03CE091AD155"),
    ],
)
def test_cp56_in_registers(encoding: str, registers: str) -> None:
    """2026-03-14T09:26:53.589; the field form is the one of check values 2.3."""
    when = dt.datetime(2026, 3, 14, 9, 26, 53, 589_000, tzinfo=dt.UTC).timestamp()
    decoder = make_clock(encoding)
    assert decoder.decode(H(registers)) == (when, Quality.GOOD)
    assert decoder.encode(when) == H(registers)
    assert decoder.resolution_s == 0.001


def test_cp56_invalid_bit_and_summer_time_are_told() -> None:
    decoder = make_clock("cp56_octets")
    raw = H("5FEABB97C4071A00")
    value, quality = decoder.decode(raw)
    assert quality is Quality.NOT_AVAILABLE  # IV: the device does not trust its own time
    assert value == dt.datetime(2026, 7, 4, 23, 59, 59, 999_000, tzinfo=dt.UTC).timestamp()
    stamp = decoder.stamp(raw)
    assert stamp is not None
    assert (stamp.invalid, stamp.summer) == (True, True)


def test_cp56_milliseconds_are_not_packed_as_ten_and_six_bits() -> None:
    """The trap of check values 2.3: a wrong split would give 52 s 341 ms."""
    stamp = read_cp56(H("55D11A09CE031A"))
    assert stamp is not None
    assert (stamp.second, stamp.millisecond) == (53, 589)


NUMPY = {
    "u16": "u2",
    "i16": "i2",
    "u32": "u4",
    "i32": "i4",
    "u64": "u8",
    "i64": "i8",
    "f32": "f4",
    "f64": "f8",
}


@pytest.mark.parametrize("kind", NUMPY)
def test_numpy_reads_the_same_numbers(kind: str) -> None:
    """numpy: big-endian, little-endian, words swapped; 200 random values of each type."""
    random = np.random.default_rng(20261125)
    width = int(NUMPY[kind][1])
    data = random.bytes(200 * width)
    words = np.frombuffer(data, ">u2").reshape(200, width // 2)
    letters = "ABCDEFGH"[:width]
    swapped_words = "".join(letters[i : i + 2] for i in range(width - 2, -1, -2))
    views = {
        letters: np.frombuffer(data, ">" + NUMPY[kind]),
        letters[::-1]: np.frombuffer(data, "<" + NUMPY[kind]),
        swapped_words: np.frombuffer(words[:, ::-1].astype(">u2").tobytes(), ">" + NUMPY[kind]),
    }
    for order, numbers in views.items():
        decoder = make_decoder(Encoding(type=kind, count=width // 2, order=order))
        for index, number in enumerate(numbers):
            value, quality = decoder.decode(data[index * width : (index + 1) * width])
            if np.isfinite(number):
                assert (value, quality) == (number, Quality.GOOD)
            else:
                assert quality is Quality.NOT_A_NUMBER
