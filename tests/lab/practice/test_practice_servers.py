"""The practice servers, read by clients that are not ours: pymodbus, pyModbusTCP, and bare sockets."""

from __future__ import annotations

import asyncio
import socket
import struct
from contextlib import suppress
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pyModbusTCP.client import ModbusClient

from probe.model.block import decode_points
from probe.model.profile import Area, Point
from probe.model.reading import Quality, Value
from probe.practice.fault import Fault
from probe.practice.lineup import PracticeLineup
from probe.practice.metering import measure
from probe.practice.roster import roster
from probe.practice.show import measured_key, scaled

READ_CURRENT = struct.pack(">BHH", 3, 100, 2)  # 52-F1: current of phase a, two registers


def adu(number: int, unit: int, pdu: bytes) -> bytes:
    """A Modbus TCP frame. Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3."""
    return struct.pack(">HHHB", number, 0, len(pdu) + 1, unit) + pdu


async def talk(
    lineup: PracticeLineup, tag: str, *frames: bytes, unit: int = 255, wait_s: float = 1.0
) -> bytes:
    """All bytes that come back for some request PDUs on one connection, until ``wait_s`` of silence."""
    reader, writer = await asyncio.open_connection("127.0.0.1", lineup.ports[tag])
    got = b""
    try:
        for number, pdu in enumerate(frames, 1):
            writer.write(adu(number, unit, pdu))
        while True:
            more = await asyncio.wait_for(reader.read(600), wait_s)
            if not more:
                break
            got += more
    except TimeoutError:
        pass
    finally:
        writer.close()
    return got


async def one_reply(lineup: PracticeLineup, tag: str, pdu: bytes = READ_CURRENT, unit: int = 255) -> bytes:
    """The bytes of the first answer."""
    reader, writer = await asyncio.open_connection("127.0.0.1", lineup.ports[tag])
    try:
        writer.write(adu(7, unit, pdu))
        return await asyncio.wait_for(reader.read(600), 5.0)
    finally:
        writer.close()


async def read_points(lineup: PracticeLineup, tag: str) -> dict[str, tuple[Point, Value, Quality]]:
    """Every point of a device, read one by one with pymodbus's client."""
    part = lineup.stage.parts[tag]
    place = part.entry.via or tag
    client = AsyncModbusTcpClient("127.0.0.1", port=lineup.ports[place], timeout=5, retries=0)
    assert await client.connect()
    found: dict[str, tuple[Point, Value, Quality]] = {}
    try:
        for span in _spans(list(part.profile.points)):
            payload = await _payload(client, span, part.entry.unit)
            count = span[-1].end - span[0].start
            for point, _, value, quality in decode_points(
                part.profile, span[0].area, span[0].start, payload, count
            ):
                found[point.name] = (point, value, quality)
    finally:
        client.close()
    return found


def _spans(points: list[Point]) -> list[list[Point]]:
    """Points in runs without a gap, at most 50 registers each, kept together where an atom demands it."""
    spans: list[list[Point]] = []
    for point in sorted(points, key=lambda p: (p.area, p.start)):
        last = spans[-1] if spans else []
        joined = last and last[-1].area is point.area and point.start <= last[-1].end
        same_atom = joined and point.atom and point.atom == last[-1].atom
        if joined and (same_atom or point.end - last[0].start <= 50):
            last.append(point)
        else:
            spans.append([point])
    return spans


async def _payload(client: AsyncModbusTcpClient, span: list[Point], unit: int) -> bytes:
    first, count = span[0], max(p.end for p in span) - span[0].start
    ask: Any = {
        Area.HOLDING: client.read_holding_registers,
        Area.INPUT: client.read_input_registers,
        Area.COIL: client.read_coils,
        Area.DISCRETE: client.read_discrete_inputs,
    }[first.area]
    answer = await ask(first.start, count=count, device_id=unit)
    assert not answer.isError(), f"{first.name}: {answer}"
    if first.area.is_bits:
        bits = sum(bit << n for n, bit in enumerate(answer.bits[:count]))
        return int(bits).to_bytes((count + 7) // 8, "little")
    return struct.pack(f">{count}H", *answer.registers)


@pytest.mark.parametrize("profile", sorted({entry.profile for entry in roster().values()}))
async def test_every_point_shows_its_physical_value(lineup_of: Any, profile: str) -> None:
    # The truth is the model's own phasors; wire, pymodbus and the profile's decoder lie between.
    tag = next(tag for tag, entry in roster().items() if entry.profile == profile)
    async with lineup_of(tag) as lineup:
        before = lineup.now().since_s
        points = await read_points(lineup, tag)
        after = lineup.now().since_s
        part = lineup.stage.parts[tag]
        assert set(points) == {point.name for point in part.profile.points}
        for name, (point, value, quality) in points.items():
            assert quality is Quality.GOOD, name
            if point.low is not None and not isinstance(value, str):
                assert point.low <= value <= (point.high or 0), name
        if part.instrument is not None:
            truths = [measure(lineup.plant, part.entry.circuit, part.instrument, t) for t in (before, after)]
            compared = 0
            for point, value, _ in points.values():
                key = measured_key(point)
                if key in truths[0]:
                    low, high = sorted(scaled(point, truth[key]) for truth in truths)
                    step = 10.0**-point.decimals + 0.01 * abs(high)
                    assert low - step <= float(value) <= high + step, point.name
                    compared += 1
            assert compared >= 10


async def test_a_second_client_reads_the_same(lineup_of: Any) -> None:
    async with lineup_of("52-F1") as lineup:

        def ask() -> Any:
            client = ModbusClient("127.0.0.1", lineup.ports["52-F1"], unit_id=255, timeout=5, auto_close=True)
            return client.read_holding_registers(0, 2), client.read_holding_registers(110, 2)

        proof, voltage = await asyncio.to_thread(ask)
        assert proof[0] == 0x5AA5
        volts = struct.unpack(">f", struct.pack(">2H", *voltage))[0]
        assert volts == pytest.approx(480, rel=0.02)


async def test_identification_comes_in_levels(lineup_of: Any) -> None:
    # Source: MODBUS Application Protocol Specification V1.1b3, 6.21.
    async with lineup_of("52-F1") as lineup:
        basic = await one_reply(lineup, "52-F1", bytes.fromhex("2B0E0100"))
        assert basic[7:14] == bytes.fromhex("2B0E0183000003")
        assert b"\x00\x09Quellmark\x01\x06QT-200\x02\x052.4.1" in basic
        single = await one_reply(lineup, "52-F1", bytes.fromhex("2B0E0401"))
        assert single.endswith(b"\x01\x06QT-200")
        unknown = await one_reply(lineup, "52-F1", bytes.fromhex("2B0E0455"))
        assert unknown[7:9] == b"\xab\x02"


async def test_holes_limits_and_writes_are_refused(lineup_of: Any) -> None:
    # Source: MODBUS Application Protocol Specification V1.1b3, 7 (exception codes).
    async with lineup_of("52-F1", "52-F3") as lineup:
        assert (await one_reply(lineup, "52-F1", struct.pack(">BHH", 3, 60, 2)))[7:] == b"\x83\x02"
        assert (await one_reply(lineup, "52-F1", struct.pack(">BHH", 3, 9000, 2)))[7:] == b"\x83\x02"
        assert (await one_reply(lineup, "52-F1", struct.pack(">BHH", 6, 300, 1)))[7:] == b"\x86\x01"
        too_many = await one_reply(lineup, "GW-1", struct.pack(">BHH", 3, 100, 60), unit=3)
        assert too_many[7:] == b"\x83\x03"
        assert lineup.tally("52-F1").functions == {3: 2, 6: 1}


async def test_values_move_and_are_made_when_asked(lineup_of: Any) -> None:
    async with lineup_of("52-F1") as lineup:
        first = await one_reply(lineup, "52-F1")
        second = await one_reply(lineup, "52-F1")
        assert first[:9] == second[:9]
        assert first[9:] != second[9:]


async def test_a_gateway_tells_absent_units_and_keeps_its_bus_in_order(lineup_of: Any) -> None:
    # Source: MODBUS Application Protocol Specification V1.1b3, 7: 0B, gateway target failed to respond.
    async with lineup_of("52-F3", "52-F4") as lineup:
        ask = struct.pack(">BHH", 3, 0, 3)
        present = await one_reply(lineup, "GW-1", ask, unit=3)
        assert present[6:9] == bytes([3, 3, 6])
        absent = await one_reply(lineup, "GW-1", ask, unit=77)
        assert absent[6:] == bytes([77, 0x83, 0x0B])
        both = await talk(lineup, "GW-1", ask, ask, unit=4)
        assert [both[0:2], both[15:17]] == [b"\x00\x01", b"\x00\x02"]


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("wrong-unit", adu(7, 8, b"\x03\x04")),
        ("transaction-zero", adu(0, 255, b"\x03\x04")),
        ("wrong-transaction", adu(8, 255, b"\x03\x04")),
        ("wrong-protocol", b"\x00\x07\x00\x01\x00\x07\xff\x03\x04"),
        ("short-reply", b"\x00\x07\x00\x00\x00\x05\xff\x03\x02"),
        ("long-reply", b"\x00\x07\x00\x00\x00\x09\xff\x03\x06"),
        ("odd-reply", b"\x00\x07\x00\x00\x00\x06\xff\x03\x03"),
        ("wrong-function", adu(7, 255, b"\x04\x04")),
        ("cut-header", b"\x00\x07\x00\x00\x00\xc8\xff\x03\x04"),
        ("busy", b"\x00\x07\x00\x00\x00\x03\xff\x83\x06"),
    ],
)
async def test_wrong_frames_are_wrong_in_one_way(lineup_of: Any, kind: str, expected: bytes) -> None:
    every = 1 if kind == "busy" else None
    async with lineup_of("52-F1", faults=[Fault(kind=kind, at="52-F1", every=every)]) as lineup:
        reply = await one_reply(lineup, "52-F1")
        # Where the frame's length is right in itself, the header must say so.
        if kind in ("wrong-unit", "transaction-zero", "wrong-transaction", "wrong-function"):
            expected = expected[:4] + b"\x00\x07" + expected[6:]
        assert reply[: len(expected)] == expected
        if kind not in ("cut-header",):
            assert int.from_bytes(reply[4:6], "big") == len(reply) - 6


async def test_doubled_replies(lineup_of: Any) -> None:
    async with lineup_of("52-F1", faults=[Fault(kind="doubled-reply", at="52-F1")]) as lineup:
        reply = await talk(lineup, "52-F1", READ_CURRENT, wait_s=0.3)
        assert len(reply) == 26
        assert reply[:13] == reply[13:]


async def test_a_crumbled_reply_is_whole_in_the_end(lineup_of: Any) -> None:
    async with lineup_of("52-F1", faults=[Fault(kind="crumbled", at="52-F1")]) as lineup:
        assert len(await talk(lineup, "52-F1", READ_CURRENT, wait_s=0.3)) == 13


async def test_late_replies_come_after_the_time_out(lineup_of: Any) -> None:
    fault = Fault(kind="late-reply", at="52-F1", seconds=0.3)
    async with lineup_of("52-F1", faults=[fault]) as lineup:
        assert await talk(lineup, "52-F1", READ_CURRENT, wait_s=0.1) == b""
        assert len(await talk(lineup, "52-F1", READ_CURRENT, wait_s=0.8)) == 13


async def test_lossy_drops_each_third(lineup_of: Any) -> None:
    async with lineup_of("52-F1", faults=[Fault(kind="lossy", at="52-F1", every=3)]) as lineup:
        replies = await talk(lineup, "52-F1", *[READ_CURRENT] * 9, wait_s=0.3)
        assert len(replies) == 6 * 13


async def test_dead_refuses_and_keeps_its_port(lineup_of: Any) -> None:
    async with lineup_of("52-F1", faults=[Fault(kind="dead", at="52-F1")]) as lineup:
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection("127.0.0.1", lineup.ports["52-F1"])


async def test_a_taken_socket_is_closed_at_once(lineup_of: Any) -> None:
    async with lineup_of("52-F1", faults=[Fault(kind="socket-taken", at="52-F1")]) as lineup:
        # Closing with a request unread makes the system answer with a reset.
        with suppress(ConnectionResetError):
            assert await talk(lineup, "52-F1", READ_CURRENT) == b""
        assert lineup.tally("52-F1").turned_away == 1


async def test_resets_are_resets(lineup_of: Any) -> None:
    async with lineup_of("52-F1", faults=[Fault(kind="resets", at="52-F1", every=1)]) as lineup:
        with pytest.raises(ConnectionResetError):
            await one_reply(lineup, "52-F1")


async def test_closes_after_each_reply(lineup_of: Any) -> None:
    async with lineup_of("52-F1", faults=[Fault(kind="closes-after-reply", at="52-F1")]) as lineup:
        reader, writer = await asyncio.open_connection("127.0.0.1", lineup.ports["52-F1"])
        writer.write(adu(1, 255, READ_CURRENT))
        assert len(await reader.read()) == 13  # read() without a limit returns at the end of the stream
        writer.close()


async def test_swapped_devices_show_each_others_serial(lineup_of: Any) -> None:
    fault = Fault(kind="swapped-addresses", at="52-F1", partner="52-F2")
    async with lineup_of("52-F1", "52-F2", faults=[fault]) as lineup:
        serials = [await one_reply(lineup, tag, struct.pack(">BHH", 3, 4, 8)) for tag in ("52-F1", "52-F2")]
        drawn = [roster()[tag].serial.encode() for tag in ("52-F2", "52-F1")]
        assert [reply[9:].rstrip(b"\0") for reply in serials] == drawn


async def test_a_path_that_is_not_configured(lineup_of: Any) -> None:
    # Source: MODBUS Application Protocol Specification V1.1b3, 7: 0A, gateway path unavailable.
    async with lineup_of("52-F3", faults=[Fault(kind="path-unavailable", at="GW-1")]) as lineup:
        reply = await one_reply(lineup, "GW-1", struct.pack(">BHH", 3, 0, 1), unit=3)
        assert reply[7:] == b"\x83\x0a"


async def test_requests_in_pieces_and_in_one_segment(lineup_of: Any) -> None:
    async with lineup_of("52-F1") as lineup:
        reader, writer = await asyncio.open_connection("127.0.0.1", lineup.ports["52-F1"])
        frame = adu(1, 255, READ_CURRENT)
        writer.write(frame * 3 + frame[:5])
        got = await reader.readexactly(3 * 13)
        writer.write(frame[5:])
        got += await reader.readexactly(13)
        assert len(got) == 52
        writer.close()


async def test_nothing_is_left_behind(lineup_of: Any) -> None:
    before = asyncio.all_tasks()
    async with lineup_of("52-F1", "52-F3", faults=[Fault(kind="slow", at="52-F1", seconds=30)]) as lineup:
        ports = dict(lineup.ports)
        _, writer = await asyncio.open_connection("127.0.0.1", ports["52-F1"])
        writer.write(adu(1, 255, READ_CURRENT))  # its answer would come in 30 s
        asked = asyncio.Event()
        lineup.hosts["52-F1"].on_request = asked.set
        await asyncio.wait_for(asked.wait(), 5)
    writer.close()
    await asyncio.sleep(0)
    assert asyncio.all_tasks() == before
    for port in ports.values():
        with socket.socket() as client, pytest.raises(ConnectionRefusedError):
            client.connect(("127.0.0.1", port))
