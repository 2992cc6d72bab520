"""Peer: the same reads with a bare asyncio protocol; nothing is kept, nothing is judged.

The floor for Python: one connection a device, one request in flight, ten blocks, the reply's transaction
id and byte count compared.
"""

from __future__ import annotations

import asyncio
import struct

from bench.gear import BLOCKS, REGISTERS, host_of

REQUEST = struct.Struct(">HHHBBHH")


class Reader(asyncio.Protocol):
    """Asks its blocks one after the other."""

    def __init__(self, done: asyncio.Future[int]) -> None:
        self.done = done
        self.block = 0
        self.held = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Send the first request."""
        self.transport = transport
        self.ask()

    def ask(self) -> None:
        """Send the next request."""
        self.transport.write(  # type: ignore[attr-defined]
            REQUEST.pack(self.block + 1, 0, 6, 255, 3, 200 * self.block, REGISTERS)
        )

    def data_received(self, data: bytes) -> None:
        """Take the reply, ask the next block or end."""
        if self.held:
            data = self.held + data
        if len(data) < 9 + 2 * REGISTERS:
            self.held = data
            return
        self.held = b""
        assert data[8] == 2 * REGISTERS
        assert int.from_bytes(data[:2], "big") == self.block + 1
        self.block += 1
        if self.block == BLOCKS:
            self.transport.close()
            self.done.set_result(BLOCKS)
        else:
            self.ask()


async def main(count: int, port: int) -> int:
    """Read all devices at the same time; transactions made."""
    loop = asyncio.get_running_loop()

    async def read(index: int) -> int:
        done: asyncio.Future[int] = loop.create_future()
        await loop.create_connection(lambda: Reader(done), host_of(index), port)
        return await done

    return sum(await asyncio.gather(*(read(index) for index in range(count))))
