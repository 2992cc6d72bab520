"""Numbers of another type than the profile says: published encodings, read too wide and too narrow."""

from __future__ import annotations

import struct
from decimal import Decimal

import pytest

from probe.judge.blocks import Block
from probe.judge.diagnosis.inside import Size
from probe.judge.diagnosis.priors import Kind
from probe.judge.diagnosis.registers import Item, Registers
from probe.judge.diagnosis.search import Case, Explanation, explain
from probe.judge.diagnosis.words import Whose, mended, said
from probe.judge.electrical.quantities import electrical_points
from probe.judge.electrical.snapshot import Frame, snapshot
from probe.model.codec import Encoding, make_decoder
from probe.model.device_map import Kind as DeviceKind
from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.profile import Accuracy, Area, Conventions, Limits, Point, Profile

NAMES = (("voltage_line", "ab"), ("voltage_line", "bc"), ("voltage_line", "ca"),
         ("current", "a"), ("current", "b"), ("current", "c"))  # fmt: skip
SIZE = Size(480.0, 60.0, 800.0)
FRAME = Frame(
    tag="F1", wiring="wye", voltage_v=480.0, frequency_hz=60.0, rating_a=800.0, accuracy=Accuracy(),
    conventions=Conventions(),
)  # fmt: skip
SHOWN = (480.0, 481.0, 479.0, 200.0, 202.0, 199.0)


def profile(type_name: str, stride: int, scale: str) -> Profile:
    """Three line voltages and three currents of one type, so many registers apart."""
    count = 1 if type_name.endswith("16") else 2
    order = "AB" if count == 1 else "ABCD"
    decoder = make_decoder(Encoding(type=type_name, count=count, order=order, scale=Decimal(scale)))
    points = tuple(
        Point(
            name=f"{quantity}_{phase}", title=f"{quantity} {phase}", area=Area.HOLDING, start=stride * n,
            count=count, type=type_name, order=order, decoder=decoder, quantity=quantity, phase=phase,
            unit="A" if quantity == "current" else "V", low=0, high=12_000, decimals=1,
        )
        for n, (quantity, phase) in enumerate(NAMES)
    )  # fmt: skip
    return Profile(
        name="six", title="six", kind=DeviceKind.METER, limits=Limits(), points=points,
        by_name={point.name: point for point in points},
    )  # fmt: skip


def best(type_name: str, stride: int, data: bytes, scale: str = "1") -> Explanation:
    """What explains these registers, read by a profile of the type."""
    exchange = Exchange("F1", Purpose.POLL, Framing.MBAP, 0, 1, 0, 1000, Outcome.DATA, 0, b"", b"")
    block = Block(1, exchange, 3, 0, len(data) // 2, data)
    told = profile(type_name, stride, scale)
    items = tuple(Item(electrical, block) for electrical in electrical_points(told))
    kept = Registers(told, FRAME, items, (block,))
    plain = kept.reread(
        kept.read(snapshot(FRAME, 0, ())), turns={item.point.name: bytes for item in kept.items}
    )
    return explain(Case(kept, plain, SIZE))[0]


def values(found: Explanation) -> list[float]:
    return [round(found.read.values[key][0], 3) for key in NAMES]


def words(found: Explanation) -> tuple[str, str]:
    whose = Whose("F1", "six", {})
    return said(found.parts[0], whose), mended(found.parts[0], whose)


# Whole numbers most significant byte first. Source: MODBUS Application Protocol Specification V1.1b3, 4.2.
WHOLE = [round(value) for value in SHOWN]
#: Beyond 65535, so that no single register holds them.
THOUSANDTHS = [1000 * value for value in WHOLE]


@pytest.mark.parametrize(
    ("type_name", "data", "name"),
    [
        ("u16", struct.pack(">6I", *THOUSANDTHS), "u32 in order ABCD"),
        ("u16", struct.pack(">6f", *SHOWN), "f32 in order ABCD"),  # source: IEEE 754, binary32
    ],
)
def test_a_value_of_two_registers_read_as_one_is_found(type_name: str, data: bytes, name: str) -> None:
    found = best(type_name, 2, data, "0.001")
    assert found.kinds == (Kind.TYPE,)
    assert found.parts[0].where == name
    assert values(found) == [float(value) for value in SHOWN]


@pytest.mark.parametrize("stride", [1, 2])
def test_a_value_of_one_register_read_as_two_is_found(stride: int) -> None:
    """Each with its neighbour behind it (stride 1), or with a register of something else (stride 2)."""
    cells = [cell for value in WHOLE for cell in (value, 7)][:12] if stride == 2 else [*WHOLE, 0]
    found = best("u32", stride, struct.pack(f">{len(cells)}H", *cells))
    assert found.kinds == (Kind.TYPE,)
    assert found.parts[0].where == "u16"
    assert values(found) == [float(value) for value in SHOWN]


def test_the_second_of_two_registers_is_found_and_the_fix_gives_the_address() -> None:
    cells = [cell for value in WHOLE for cell in (7, value)]
    found = best("f32", 2, struct.pack(">12H", *cells))
    assert "second of their two registers" in found.parts[0].where
    assert "an address that is higher by one" in words(found)[1]
    assert values(found) == [float(value) for value in SHOWN]


def test_the_fix_is_the_line_of_the_profile() -> None:
    statement, fix = words(best("u16", 2, struct.pack(">6I", *THOUSANDTHS), "0.001"))
    assert "reads as u16 are u32 in order ABCD" in statement
    assert "`type: u32` with `order: ABCD`" in fix


def test_numbers_that_stand_close_are_not_taken_for_wider_ones() -> None:
    found = best("u16", 1, struct.pack(">7H", *WHOLE, 0))
    assert found.parts == ()


def test_a_sound_device_keeps_its_type() -> None:
    assert best("u32", 2, struct.pack(">6I", *WHOLE)).parts == ()
    assert best("f32", 2, struct.pack(">6f", *SHOWN)).parts == ()
