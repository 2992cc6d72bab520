"""A whole block decodes as its points one by one, and the quick check says what the values say."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.model.block import BlockDecoder, block_decoder, decode_points, in_range
from probe.model.codec import Encoding, make_decoder
from probe.model.device_map import Kind
from probe.model.number_codec import FactoredDecoder
from probe.model.profile import Area, Limits, Point, Profile
from probe.model.reading import Quality
from probe.model.register_image import block_payload, place, register_image

COUNT = 40
ORDERS = {
    1: ("AB", "BA"),
    2: ("ABCD", "CDAB", "BADC", "DCBA"),
    4: ("ABCDEFGH", "GHEFCDAB", "BADCFEHG", "HGFEDCBA", "CDABGHEF"),
}
KINDS = {"u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2, "u64": 4, "f64": 4, "enum16": 1, "bits32": 2}


@st.composite
def points(draw: st.DrawFn) -> Point:
    """A point of any type somewhere in (or beside) the block; points may overlap."""
    name = f"p{draw(st.integers(0, 10**9))}"
    start = draw(st.integers(0, COUNT + 4))
    kind = draw(st.sampled_from([*KINDS, "bcd", "text", "clock", "factored"]))
    if kind == "text":
        return _point(name, start, 3, Encoding(type="text", count=3))
    if kind == "clock":
        return _point(name, start, 4, Encoding(type="clock", count=4, order="ABCD", clock="cp56_fields"))
    if kind == "bcd":
        return _point(name, start, 2, Encoding(type="bcd", count=2, order="ABCD"), -5.0, 5000.0)
    if kind == "factored":
        encoding = Encoding(type="i16", factored=True, not_available=("0x8000",))
        factor = draw(st.sampled_from(["factor", "elsewhere"]))
        return replace(_point(name, start, 1, encoding, 0.0, 500.0), scale_factor=factor)
    count = KINDS[kind]
    order = draw(st.sampled_from(ORDERS[count]))
    missing = draw(st.sampled_from([(), ("0",), ("0x1", "0")]))
    scale = Decimal("0.1") if kind[0] in "uif" and kind != "bits32" and draw(st.booleans()) else Decimal(1)
    encoding = Encoding(type=kind, count=count, order=order, not_available=missing, scale=scale)
    point = _point(
        name, start, count, encoding, *draw(st.sampled_from([(None, None), (0.0, 90.0), (-3.0, None)]))
    )
    return replace(point, values={0: "off", 1: "on", 7: "seven"}) if kind == "enum16" else point


def _point(
    name: str, start: int, count: int, encoding: Encoding, low: float | None = None, high: float | None = None
) -> Point:
    return Point(
        name=name, title=name, area=Area.HOLDING, start=start, count=count, type=encoding.type,
        order=encoding.order, decoder=make_decoder(encoding), low=low, high=high,
    )  # fmt: skip


FACTOR = _point("factor", 2, 1, Encoding(type="sunssf", not_available=("0x8000",)), -10.0, 10.0)
# Registers that are often small: random bytes alone would hardly ever be in range.
words = st.one_of(
    st.sampled_from([0, 1, 7, 2, 90, 900, 0x8000, 0xFFFF, 0x7FC0, 0x4270]), st.integers(0, 65_535)
)
payloads = st.lists(words, min_size=COUNT, max_size=COUNT).map(
    lambda cells: b"".join(cell.to_bytes(2, "big") for cell in cells)
)


def alone(point: Point, payload: bytes) -> tuple[bytes, object, Quality]:
    """The point decoded by itself, in the plainest way."""
    raw = payload[2 * point.start : 2 * point.end]
    if not isinstance(point.decoder, FactoredDecoder):
        return raw, *point.decoder.decode(raw)
    exponent = None
    if point.scale_factor == "factor":
        exponent = int.from_bytes(payload[4:6], "big", signed=True)
    return raw, *point.decoder.with_factor(point.decoder.number_of(raw), exponent)


@given(st.lists(points(), max_size=12, unique_by=lambda p: p.name), payloads)
def test_a_block_decodes_as_its_points_alone(drawn: list[Point], payload: bytes) -> None:
    everything = [*drawn, FACTOR]
    block = BlockDecoder(everything, 0, COUNT)
    inside = {point.name: point for point in everything if point.end <= COUNT}
    decoded = block.decode(payload)
    assert {point.name for point, *_ in decoded} == set(inside)
    assert len(decoded) == len(inside)
    assert [point.start for point, *_ in decoded] == sorted(point.start for point in inside.values())
    for point, raw, value, quality in decoded:
        assert (raw, value, quality) == alone(inside[point.name], payload)
    healthy = all(quality is Quality.GOOD and in_range(point, value) for point, _, value, quality in decoded)
    assert block.all_good_and_in_range(payload) == healthy


@given(
    st.lists(points(), max_size=3, unique_by=lambda p: p.name),
    st.sampled_from([b"\0\0", b"\0\1", b"\0\2", b"\0\7"]),
)
def test_healthy_blocks_are_seen_healthy(drawn: list[Point], word: bytes) -> None:
    """The same with registers that make healthy blocks common, so that True is tested too."""
    block = BlockDecoder([*drawn, FACTOR], 0, COUNT)
    payload = word * COUNT
    decoded = block.decode(payload)
    healthy = all(quality is Quality.GOOD and in_range(point, value) for point, _, value, quality in decoded)
    assert block.all_good_and_in_range(payload) == healthy


def _profile(*profile_points: Point) -> Profile:
    return Profile(
        name="made", title="Made", kind=Kind.OTHER, limits=Limits(), points=profile_points,
        by_name={point.name: point for point in profile_points},
    )  # fmt: skip


def test_points_that_stick_out_are_left_out() -> None:
    profile = _profile(
        *(_point(f"p{i}", i, 2, Encoding(type="u32", count=2, order="ABCD")) for i in (0, 2, 4))
    )
    decoded = decode_points(profile, Area.HOLDING, 1, bytes(8))
    assert [point.name for point, *_ in decoded] == ["p2"]


def test_bits_come_least_significant_first() -> None:
    """MODBUS Application Protocol V1.1b3, 6.2: inputs 197 to 218 = AC DB 35."""
    inputs = [
        Point(name=f"i{n}", title=f"i{n}", area=Area.DISCRETE, start=n - 1, count=1, type="bit", order="",
              decoder=make_decoder(Encoding(type="bit")))
        for n in (197, 198, 199, 204, 218)
    ]  # fmt: skip
    profile = _profile(*inputs)
    decoded = decode_points(profile, Area.DISCRETE, 196, bytes.fromhex("ACDB35"), 22)
    assert [value for _, _, value, _ in decoded] == [False, False, True, True, True]
    assert block_decoder(profile, Area.DISCRETE, 196, 22).all_good_and_in_range(bytes.fromhex("ACDB35"))
    image = register_image(profile, {point.name: value for point, _, value, _ in decoded})
    back = decode_points(profile, Area.DISCRETE, 196, block_payload(image, Area.DISCRETE, 196, 22), 22)
    assert [value for _, _, value, _ in back] == [False, False, True, True, True]


def test_an_image_shows_its_values() -> None:
    volts = replace(_point("volts", 3, 1, Encoding(type="i16", factored=True)), scale_factor="factor")
    profile = _profile(FACTOR, volts, _point("text", 4, 2, Encoding(type="text", count=2)))
    image = register_image(profile, {"factor": -1, "volts": 277.1, "text": "abc"})
    assert image == {
        (Area.HOLDING, 2): 0xFFFF, (Area.HOLDING, 3): 2771,
        (Area.HOLDING, 4): 0x6162, (Area.HOLDING, 5): 0x6300,
    }  # fmt: skip
    decoded = decode_points(profile, Area.HOLDING, 0, block_payload(image, Area.HOLDING, 0, 6))
    assert [(p.name, v) for p, _, v, _ in decoded] == [("factor", -1), ("volts", 277.1), ("text", "abc")]
    with pytest.raises(ValueError, match="volts: volts needs the exponent of factor"):
        register_image(profile, {"volts": 277.1})
    assert place(FACTOR, b"\xff\xff") == {(Area.HOLDING, 2): 0xFFFF}


def test_a_factor_outside_the_block_leaves_no_scale() -> None:
    volts = replace(_point("volts", 3, 1, Encoding(type="i16", factored=True)), scale_factor="factor")
    profile = _profile(FACTOR, volts)
    ((_, _, value, quality),) = decode_points(profile, Area.HOLDING, 3, b"\x0a\xd3")
    assert (value, quality) == (2771, Quality.NO_SCALE)
    assert not block_decoder(profile, Area.HOLDING, 3, 1).all_good_and_in_range(b"\x0a\xd3")
