"""Registers read in another way: what published encodings of numbers say, and that nothing else changes."""

from __future__ import annotations

import struct

import pytest

from probe.judge.blocks import Block
from probe.judge.diagnosis.inside import Size
from probe.judge.diagnosis.picture import picture
from probe.judge.diagnosis.priors import Kind
from probe.judge.diagnosis.registers import Item, Registers
from probe.judge.diagnosis.rereading import amp_ratio, ways
from probe.judge.diagnosis.search import Case, explain
from probe.judge.diagnosis.way import Known
from probe.judge.diagnosis.wiring import Part
from probe.judge.electrical.quantities import electrical_points
from probe.judge.electrical.snapshot import Frame, Snapshot, snapshot
from probe.model.codec import Encoding, make_decoder
from probe.model.device_map import Kind as DeviceKind
from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.profile import Accuracy, Area, Conventions, Limits, Point, Profile

NAMES = (("voltage_line", "ab"), ("voltage_line", "bc"), ("voltage_line", "ca"),
         ("current", "a"), ("current", "b"), ("current", "c"))  # fmt: skip
SIZE = Size(480.0, 60.0, 800.0)
FRAME = Frame(
    tag="F1",
    wiring="wye",
    voltage_v=480.0,
    frequency_hz=60.0,
    rating_a=800.0,
    accuracy=Accuracy(),
    conventions=Conventions(),
)
#: 480.0 as it comes in each order. Source: IEEE 754 (binary32 of 480.0 is 43 F0 00 00).
ORDERS = {"ABCD": "43F00000", "CDAB": "000043F0", "BADC": "F0430000", "DCBA": "0000F043"}


def profile() -> Profile:
    """Three line voltages and three currents, floats with the most significant register first."""
    decoder = make_decoder(Encoding(type="f32", count=2, order="ABCD"))
    points = tuple(
        Point(
            name=f"{quantity}_{phase}", title=f"{quantity} {phase}", area=Area.HOLDING, start=2 * n, count=2,
            type="f32", order="ABCD", decoder=decoder, unit="A" if quantity == "current" else "V",
            quantity=quantity, phase=phase, low=0, high=12_000, decimals=1,
        )
        for n, (quantity, phase) in enumerate(NAMES)
    )  # fmt: skip
    return Profile(
        name="six", title="six", kind=DeviceKind.METER, limits=Limits(), points=points,
        by_name={point.name: point for point in points},
    )  # fmt: skip


def registers(data: bytes) -> Registers:
    exchange = Exchange("F1", Purpose.POLL, Framing.MBAP, 0, 1, 0, 1000, Outcome.DATA, 0, b"", b"")
    block = Block(1, exchange, 3, 0, len(data) // 2, data)
    told = profile()
    items = tuple(Item(electrical, block) for electrical in electrical_points(told))
    return Registers(told, FRAME, items, (block,))


def case(data: bytes) -> Case:
    kept = registers(data)
    known: Snapshot = snapshot(FRAME, 0, ())
    read = kept.reread(kept.read(known), turns={item.point.name: bytes for item in kept.items})
    return Case(kept, read, SIZE)


def payload(order: str, amps: float = 200.0) -> bytes:
    volts = bytes.fromhex(ORDERS[order]) * 3
    plain = struct.pack(">f", amps)
    place = {letter: plain[n : n + 1] for n, letter in enumerate("ABCD")}
    return volts + b"".join(place[letter] for letter in order) * 3


@pytest.mark.parametrize("order", ["CDAB", "BADC", "DCBA"])
def test_the_order_is_found_from_published_encodings(order: str) -> None:
    best = explain(case(payload(order)))[0]
    assert best.parts == (Part(Kind.ORDER, order),)
    assert [round(best.read.values[key][0], 3) for key in NAMES] == [480.0] * 3 + [200.0] * 3


def test_the_right_order_is_left_alone() -> None:
    assert explain(case(payload("ABCD")))[0].parts == ()


def test_registers_one_further_on_are_found() -> None:
    spare = b"\x00\x07" + payload("ABCD")
    assert explain(case(spare))[0].parts == (Part(Kind.ADDRESS, "+1"),)


def test_whole_numbers_for_floats_are_found() -> None:
    data = struct.pack(">6I", 4800, 4802, 4798, 2000, 2010, 1995)
    best = explain(case(data))[0]
    assert best.kinds == (Kind.TYPE,)
    assert best.read.values["voltage_line", "ab"][0] == pytest.approx(480.0)


def test_a_ratio_multiplies_currents_and_nothing_else() -> None:
    one = case(payload("ABCD"))
    way = amp_ratio(Known(one.registers, one.base, SIZE, frozenset(), False), 1.6, told=False)
    seen = picture(way.read.values)
    assert [i[0] for i in seen.amps] == pytest.approx([320.0] * 3)
    assert [v[0] for v in seen.lines] == pytest.approx([480.0] * 3)


def test_every_way_says_what_it_assumes_and_what_it_changes() -> None:
    one = case(payload("CDAB"))
    known = Known(one.registers, one.base, SIZE, frozenset(one.base.values), False)
    for way in ways(known):
        assert way.parts
        assert way.log_prior < 0
        changed = {key for key, sight in way.read.values.items() if sight != one.base.values.get(key)}
        assert changed <= way.keys


def test_nonsense_is_not_explained_by_force() -> None:
    data = struct.pack(">6f", 480.0, 133.0, 611.0, 3.0, 900.0, 41.0)
    best = explain(case(data))[0]
    assert best.kinds == (Kind.UNEXPLAINED,)
