"""The reason for docs/decisions/0003, kept true: what pymodbus's client takes for data and our link does not.

When this test fails after an update of pymodbus, its client has changed: look at the decision again.
"""

from __future__ import annotations

import struct

import pytest

from probe.model.device_map import Target
from probe.model.evidence import Framing, Outcome
from probe.model.profile import Quirks
from probe.wire import rtu
from probe.wire.connect import link_to
from probe.wire.system_clock import SystemClock

GOOD = bytes.fromhex("0306022B00000064")  # MODBUS Application Protocol Specification V1.1b3, 6.3


def adu(frame: bytes, pdu: bytes, transaction: int | None = None) -> bytes:
    number = int.from_bytes(frame[:2], "big") if transaction is None else transaction
    return struct.pack(">HHHB", number, 0, 1 + len(pdu), frame[6]) + pdu


FAULTS = [
    ("one register of three", lambda f: adu(f, b"\x03\x02\x02\x2b"), Outcome.SHORT),
    ("four registers of three", lambda f: adu(f, b"\x03\x08" + bytes(8)), Outcome.LONG),
    ("odd byte count", lambda f: adu(f, b"\x03\x05" + bytes(5)), Outcome.ODD),
    ("function 4 for 3", lambda f: adu(f, b"\x04\x06" + bytes(6)), Outcome.WRONG_FUNCTION),
    ("transaction id 0", lambda f: adu(f, GOOD, 0), Outcome.WRONG_TRANSACTION),
]


@pytest.mark.parametrize(("make", "outcome"), [row[1:] for row in FAULTS], ids=[row[0] for row in FAULTS])
async def test_what_the_library_takes_for_data(hostile, strays, opened, ask, make, outcome):
    from pymodbus.client import AsyncModbusTcpClient

    async with hostile(lambda frame, _: [make(frame)]) as server:
        client = AsyncModbusTcpClient("127.0.0.1", port=server.port, retries=0, reconnect_delay=0)
        await client.connect()
        theirs = await client.read_holding_registers(107, count=3, device_id=5)
        client.close()
        assert not theirs.isError()
        link = await opened(
            link_to(Target("127.0.0.1", server.port, 5, Framing.MBAP, None, ""), SystemClock(), strays.append)
        )
        assert (await link.exchange(ask(timeout_s=0.3), Quirks())).outcome is outcome


def test_the_librarys_serial_framer_hunts_over_bytes_it_cannot_read():
    """Noise before an answer would never be seen as evidence; before another, the answer goes with it."""
    from pymodbus.framer import FramerRTU
    from pymodbus.pdu import DecodePDU

    used, unit, _, pdu = FramerRTU(DecodePDU(False)).decode(b"\x63" + rtu.build(99, GOOD))
    assert (used, unit, pdu) == (12, 99, GOOD)
    used, _, _, pdu = FramerRTU(DecodePDU(False)).decode(b"\x63" + rtu.build(5, GOOD))
    assert (used, pdu) == (12, b"")
