"""Evidence in words: read from raw bytes, for every kind.

Frames: MODBUS Application Protocol Specification V1.1b3, 6.3 (its example: read holding registers 108 to
110) and 7 (exception codes); MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (header).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.present.exchange_words import at_ns, evidence_words, hex_lines, request_words, response_words
from probe.record.content import load

SAMPLE = Path(__file__).parents[1] / "records" / "format-1.audit.jsonl"
ASK = bytes.fromhex("15010000000611" + "03006b0003")
DATA = bytes.fromhex("15010000000911" + "0306022b00000064")


def _exchange(**changes: object) -> Exchange:
    usual = Exchange("F-01", Purpose.POLL, Framing.MBAP, 0, 1, 0, 5_250_000, Outcome.DATA, 0, ASK, DATA)
    return usual._replace(**changes)  # type: ignore[arg-type]


def test_the_standards_example_in_words() -> None:
    exchange = _exchange()
    assert request_words(exchange) == (
        "unit 17, function 3 (read holding registers), address 107 (counted from 0), quantity 3"
    )
    assert response_words(exchange) == "data, 6 bytes, after 5.250 ms"


def test_the_same_in_an_rtu_frame() -> None:
    """Unit, PDU, two bytes of CRC (MODBUS over Serial Line Specification and Implementation Guide V1.02)."""
    exchange = _exchange(framing=Framing.RTU, request=bytes.fromhex("1103006b00037687"))
    assert request_words(exchange).startswith("unit 17, function 3 (read holding registers), address 107")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"outcome": Outcome.EXCEPTION, "exception_code": 11}, "exception 11 (gateway target device failed"),
        ({"outcome": Outcome.EXCEPTION, "exception_code": 99}, "a code that the standard does not name"),
        ({"outcome": Outcome.NO_ANSWER, "response": b""}, "no answer within 5.250 ms"),
        ({"outcome": Outcome.WRONG_UNIT}, "not accepted (wrong unit), 15 bytes"),
    ],
)
def test_what_came_back(changes: dict[str, object], words: str) -> None:
    assert words in response_words(_exchange(**changes))


@pytest.mark.parametrize("request_", [b"", b"\1", ASK[:7], ASK[:8], ASK + b"\0", bytes(300)])
def test_any_bytes_have_words(request_: bytes) -> None:
    assert request_words(_exchange(request=request_))


def test_bytes_are_shown_in_lines_of_sixteen() -> None:
    assert hex_lines(bytes(range(18))) == [
        "0000  00 01 02 03 04 05 06 07 08 09 0a 0b 0c 0d 0e 0f",
        "0010  10 11",
    ]
    assert hex_lines(b"") == ["no bytes"]


def test_every_kind_of_evidence_has_words_and_a_time() -> None:
    evidence = load(SAMPLE).evidence
    assert len(evidence) == 9
    for items in evidence.values():
        for _, piece in items:
            assert evidence_words(piece)
            assert at_ns(piece) >= 0
