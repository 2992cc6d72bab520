"""Setting the clocks of the practice lineup with a foreign client (pymodbus); what all else is answered."""

from __future__ import annotations

import asyncio
import time
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTcpClient

from probe.practice.fault import Fault

#: 2030-05-06 07:08:09 UTC.
WHEN = (2030, 5, 6, 7, 8, 9)
WHEN_S = 1_904_281_689


def shown_s(lineup: Any, tag: str) -> float:
    """What a device's clock shows now, as Unix seconds."""
    moment = lineup.now()
    return float(lineup.stage.parts[tag].clock.shows(moment.truth_s, moment.truth_s - moment.since_s))


class Client:
    """pymodbus connected to the host of a tag."""

    def __init__(self, lineup: Any, tag: str) -> None:
        self._client = AsyncModbusTcpClient("127.0.0.1", port=lineup.ports[tag], retries=0, timeout=20)

    async def __aenter__(self) -> AsyncModbusTcpClient:
        assert await self._client.connect()
        return self._client

    async def __aexit__(self, *_: object) -> None:
        self._client.close()


async def test_all_registers_at_once(lineup_of: Any) -> None:
    """meter-integer: seconds since 2000, low word first, at 1104 counted from 0."""
    assert time.gmtime(WHEN_S)[:6] == WHEN
    high, low = divmod(WHEN_S - 946_684_800, 65_536)
    async with lineup_of("MTR-F7") as lineup, Client(lineup, "MTR-F7") as client:
        answer = await client.write_registers(1104, [low, high], device_id=255)
        assert not answer.isError()
        assert 0 <= shown_s(lineup, "MTR-F7") - WHEN_S < 30
        read = await client.read_holding_registers(1104, count=2, device_id=255)
        assert 0 <= (read.registers[1] << 16 | read.registers[0]) - (WHEN_S - 946_684_800) < 30
        assert lineup.tally("MTR-F7").functions == {16: 1, 3: 1}


async def test_a_latch_makes_it_take_what_waits(lineup_of: Any) -> None:
    """trip-unit-first: register by register, then 5AA5; local time of the lineup."""
    async with lineup_of("52-F3") as lineup, Client(lineup, "GW-1") as client:
        before = shown_s(lineup, "52-F3")
        for number, value in enumerate(WHEN):
            assert not (await client.write_register(220 + number, value, device_id=3)).isError()
        assert abs(shown_s(lineup, "52-F3") - before) < 60, "nothing is taken before the latch"
        assert (await client.write_register(226, 0x1234, device_id=3)).exception_code == 3
        assert not (await client.write_register(226, 0x5AA5, device_id=3)).isError()
        assert 0 <= shown_s(lineup, "52-F3") - (WHEN_S - lineup.stage.zone_s) < 30


async def test_an_impossible_time_is_refused_and_changes_nothing(lineup_of: Any) -> None:
    async with lineup_of("52-F1") as lineup, Client(lineup, "52-F1") as client:
        before = shown_s(lineup, "52-F1")
        month_13 = [0x001E, 0x0D06, 0x0708, 0]
        assert (await client.write_registers(240, month_13, device_id=255)).exception_code == 3
        assert abs(shown_s(lineup, "52-F1") - before) < 60


@pytest.mark.parametrize(
    ("start", "words", "code"), [(239, [1], 2), (243, [1, 2], 2), (300, [1], 2), (9000, [1], 2)]
)
async def test_no_other_register_can_be_written(
    lineup_of: Any, start: int, words: list[int], code: int
) -> None:
    async with lineup_of("52-F1") as lineup, Client(lineup, "52-F1") as client:
        before = shown_s(lineup, "52-F1")
        assert (await client.write_registers(start, words, device_id=255)).exception_code == code
        assert (await client.write_register(240, 1, device_id=255)).exception_code == 1, (
            "it takes function 16"
        )
        assert (await client.write_coil(240, True, device_id=255)).exception_code == 1
        assert abs(shown_s(lineup, "52-F1") - before) < 60


async def test_a_device_whose_profile_defines_no_write_refuses_the_function(lineup_of: Any) -> None:
    async with lineup_of("SW-1") as lineup, Client(lineup, "SW-1") as client:
        assert (await client.write_registers(0, [1], device_id=255)).exception_code == 1


async def test_faults(lineup_of: Any) -> None:
    """Refused; ignored; set back by another master after a moment."""
    faults = (
        Fault(kind="write-refused", at="52-F1", number=4),
        Fault(kind="write-ignored", at="52-F2"),
        Fault(kind="write-reverted", at="52-F7", seconds=0.2),
    )
    words = [0x001E, 0x0506, 0x0708, 9000]
    async with lineup_of("52-F1", "52-F2", "52-F7", faults=faults) as lineup:
        async with Client(lineup, "52-F1") as client:
            assert (await client.write_registers(240, words, device_id=255)).exception_code == 4
        async with Client(lineup, "52-F2") as client:
            before = shown_s(lineup, "52-F2")
            assert not (await client.write_registers(240, words, device_id=255)).isError()
            assert abs(shown_s(lineup, "52-F2") - before) < 60
        async with Client(lineup, "52-F7") as client:
            before = shown_s(lineup, "52-F7")
            assert not (await client.write_registers(240, words, device_id=255)).isError()
            assert abs(shown_s(lineup, "52-F7") - WHEN_S) < 60
            await asyncio.sleep(0.3)
            await client.read_holding_registers(240, count=4, device_id=255)
            assert abs(shown_s(lineup, "52-F7") - before) < 60
