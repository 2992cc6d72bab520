"""What the bytes of an exchange say, point by point, by the profile that the record carries.

Frames: MODBUS Application Protocol Specification V1.1b3, 6.3 (read holding registers) and 6.21 (read device
identification); floats: IEEE 754 (``struct`` as the second opinion).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.lineup import SourceText
from probe.record.content import RecordContent, Run, load
from probe.record.decoded import Decoding, Field

SAMPLE = Path(__file__).parents[1] / "records" / "report.audit.jsonl"
BAD = SourceText(name="map.yaml", text="format: buswitness-map/99\n", sha256="0" * 64)


@pytest.fixture(scope="module")
def sample() -> RecordContent:
    return load(SAMPLE)


def _first(content: RecordContent, tag: str, purpose: Purpose) -> tuple[int, Exchange]:
    found = content.evidence[Exchange]
    return next((n, one) for n, one in found if one.tag == tag and one.purpose is purpose and one.response)


def _named(fields: tuple[Field, ...]) -> dict[str, Field]:
    return {one.name: one for one in fields}


def test_registers_are_values_of_points_in_rising_address(sample: RecordContent) -> None:
    number, exchange = _first(sample, "52-M1", Purpose.PROOF)
    fields = Decoding(sample).fields(number, exchange)
    assert [one.address for one in fields] == [0, 1, 2]
    said = _named(fields)["float_proof"]
    assert said.raw == exchange.response[-4:]
    assert float(said.value) == pytest.approx(struct.unpack(">f", said.raw)[0], rel=1e-6)
    assert (said.quality, said.unit) == ("good", "")
    assert (fields[0].value, fields[0].raw.hex()) == ("23205", "5aa5")


def test_what_is_not_available_has_bytes_and_no_value(sample: RecordContent) -> None:
    number, exchange = _first(sample, "52-M1", Purpose.PROOF)
    nothing = struct.pack(">f", float("nan"))
    wrong = exchange._replace(response=exchange.response[:-4] + nothing)
    said = _named(Decoding(sample).fields(number, wrong))["float_proof"]
    assert (said.raw, said.value) == (nothing, "")
    assert said.quality != "good"


def test_objects_of_the_identification_have_the_profiles_names(sample: RecordContent) -> None:
    number, exchange = _first(sample, "52-M1", Purpose.IDENTITY)
    fields = Decoding(sample).fields(number, exchange)
    assert [(one.name, one.title, one.address, one.raw, one.value) for one in fields] == [
        ("maker", "object 0", 0, b"Quellmark", "Quellmark"),
        ("model", "object 1", 1, b"QT-200", "QT-200"),
        ("firmware", "object 2", 2, b"2.4.1", "2.4.1"),
    ]


def test_of_an_identification_that_breaks_off_the_whole_objects_are_told(sample: RecordContent) -> None:
    number, exchange = _first(sample, "52-M1", Purpose.IDENTITY)
    fields = Decoding(sample).fields(number, exchange._replace(response=exchange.response[:-3]))
    assert [one.name for one in fields] == ["maker", "model"]


@pytest.mark.parametrize(
    "changes",
    [
        {"outcome": Outcome.EXCEPTION},
        {"tag": "52-Z9"},
        {"purpose": Purpose.ABSENT_UNIT},  # another unit's answer is not read by this one's profile
        {"request": b"\0" * 12},
    ],
)
def test_what_is_no_answer_of_the_device_says_nothing(
    sample: RecordContent, changes: dict[str, object]
) -> None:
    number, exchange = _first(sample, "52-M1", Purpose.PROOF)
    assert Decoding(sample).fields(number, exchange._replace(**changes)) == ()  # type: ignore[arg-type]


def test_the_same_bytes_in_an_rtu_frame_say_the_same(sample: RecordContent) -> None:
    number, exchange = _first(sample, "52-M1", Purpose.PROOF)
    serial = exchange._replace(
        framing=Framing.RTU, request=exchange.request[6:] + b"\0\0", response=exchange.response[6:] + b"\0\0"
    )
    decoding = Decoding(sample)
    assert decoding.fields(number, serial) == decoding.fields(number, exchange) != ()


@pytest.mark.parametrize("texts", [(), (BAD,)])
def test_without_a_map_that_loads_nothing_is_said(
    sample: RecordContent, texts: tuple[SourceText, ...]
) -> None:
    number, exchange = _first(sample, "52-M1", Purpose.PROOF)
    bare = replace(sample, header=replace(sample.header, map_texts=texts))
    assert Decoding(bare).fields(number, exchange) == ()


@pytest.mark.parametrize(
    ("place", "knows"),
    [
        (lambda number: {"first": number, "count": 1}, True),
        (lambda number: {"first": number - 4, "count": 5}, True),
        (lambda number: {"first": number - 4, "count": 4}, False),
        (lambda number: {"first": number + 1, "count": 5}, False),
    ],
)
def test_in_a_merged_record_each_line_is_read_by_the_map_of_its_own_run(
    sample: RecordContent, place: Callable[[int], dict[str, int]], knows: bool
) -> None:
    """The outer head has no map here, so that only the run's own can tell."""
    number, exchange = _first(sample, "52-M1", Purpose.PROOF)
    run = Run(header=sample.header, code="0" * 64, **place(number))
    outer = replace(sample, header=replace(sample.header, map_texts=()), runs=(run,))
    assert bool(Decoding(outer).fields(number, exchange)) is knows
