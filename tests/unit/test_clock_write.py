"""The allow-list of the one write: nothing passes but the clock's own registers, of the confirmed unit."""

from __future__ import annotations

import itertools

import pytest

from probe.collect.inputs import open_library
from probe.model.evidence import Purpose
from probe.model.write_pdu import write_requests
from probe.wire.allowed import WriteRefused, ensure_read
from probe.wire.clock_write import Permit, ensure_clock_write, permit_of
from probe.wire.link import Request

PERMIT = Permit(5, 16, 240, 244, None)
LATCHED = Permit(5, 6, 220, 226, (226, 0x5AA5))


def request(pdu: bytes, unit: int = 5, purpose: Purpose = Purpose.CLOCK_SET) -> Request:
    return Request("52-F1", purpose, 2, 1, unit, pdu, 1.0)


def test_the_clocks_registers_pass():
    for pdu in (*write_requests(16, 240, bytes(8)), *write_requests(16, 242, bytes(4))):
        ensure_clock_write(request(pdu), PERMIT)
    for pdu in (*write_requests(6, 220, bytes(12)), bytes.fromhex("06 00E2 5AA5")):
        ensure_clock_write(request(pdu), LATCHED)


REFUSED = [
    ("before", PERMIT, "10 00EF 0001 02 0000"), ("beyond", PERMIT, "10 00F3 0002 04 0000 0000"),
    ("other function", PERMIT, "06 00F0 0000"), ("latch of nobody", PERMIT, "06 00E2 5AA5"),
    ("other value of the latch", LATCHED, "06 00E2 5AA6"), ("latch with 16", LATCHED, "10 00E2 0001 02 5AA5"),
    ("not well-formed", PERMIT, "10 00F0 0002 04 0000"), ("a coil", PERMIT, "05 00F0 FF00"),
    ("coils", PERMIT, "0F 00F0 0004 01 0F"), ("mask write", PERMIT, "16 00F0 0000 0000"),
    ("read and write", PERMIT, "17 0000 0001 00F0 0001 02 0000"),
    ("file record", PERMIT, "15 07 06 0001 0000 0001 0000"),
]  # fmt: skip


@pytest.mark.parametrize(("permit", "pdu"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_all_else_is_refused(permit, pdu):
    with pytest.raises(WriteRefused):
        ensure_clock_write(request(bytes.fromhex(pdu)), permit)


def test_another_unit_or_purpose_is_refused():
    (pdu,) = write_requests(16, 240, bytes(8))
    with pytest.raises(WriteRefused, match="nobody confirmed"):
        ensure_clock_write(request(pdu, unit=6), PERMIT)
    for purpose in set(Purpose) - {Purpose.CLOCK_SET}:
        with pytest.raises(WriteRefused, match="nobody confirmed"):
            ensure_clock_write(request(pdu, purpose=purpose), PERMIT)


@pytest.mark.parametrize("permit", [PERMIT, LATCHED])
def test_every_function_code_with_any_body_stays_inside(permit):
    """All 256 functions with bodies of every length: what passes writes the permitted registers only."""
    bodies = [
        bytes.fromhex(text) for text in ("00F0 0001 02 0000", "00E2 5AA5", "00DC 0000", "00F0 0000", "", "00")
    ]
    passed = set()
    for function, body in itertools.product(range(256), bodies):
        pdu = bytes((function,)) + body
        try:
            ensure_clock_write(request(pdu), permit)
        except WriteRefused:
            continue
        passed.add(pdu.hex())
    assert passed == ({"1000f00001020000"} if permit is PERMIT else {"0600e25aa5", "0600dc0000"})


def test_the_list_of_reads_lets_no_write_pass():
    for function in (5, 6, 15, 16, 21, 22, 23):
        for length in range(12):
            with pytest.raises(WriteRefused):
                ensure_read(bytes((function,)) + bytes(length))


def test_permits_come_from_profiles_and_follow_the_shift():
    rule = open_library().get("trip-unit-first").clock
    assert rule is not None
    assert rule.write is not None
    assert permit_of(3, rule.write, 1) == Permit(3, 6, 221, 227, (227, 0x5AA5))
