"""Peer: one pymodbus client a device, all at the same time; values are decoded to integers and dropped."""

from __future__ import annotations

import asyncio

from pymodbus.client import AsyncModbusTcpClient

from bench.gear import BLOCKS, REGISTERS, host_of


async def main(count: int, port: int) -> int:
    """Read all devices at the same time; transactions made."""

    async def read(index: int) -> int:
        client = AsyncModbusTcpClient(host_of(index), port=port, timeout=3, retries=0, reconnect_delay=0)
        await client.connect()
        try:
            for block in range(BLOCKS):
                reply = await client.read_holding_registers(200 * block, count=REGISTERS, device_id=255)
                assert len(reply.registers) == REGISTERS
        finally:
            client.close()
        return BLOCKS

    return sum(await asyncio.gather(*(read(index) for index in range(count))))
