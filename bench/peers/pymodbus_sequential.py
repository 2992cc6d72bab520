"""Peer: what a plain script does: one pymodbus client after the other, with the library's defaults."""

from __future__ import annotations

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ModbusException

from bench.gear import BLOCKS, REGISTERS, host_of


async def main(count: int, port: int) -> int:
    """Read the devices one after the other; transactions that brought data."""
    transactions = 0
    for index in range(count):
        client = ModbusTcpClient(host_of(index), port=port)
        client.connect()
        for block in range(BLOCKS):
            try:
                reply = client.read_holding_registers(200 * block, count=REGISTERS, device_id=255)
            except ModbusException:
                break
            transactions += not reply.isError()
        client.close()
    return transactions
