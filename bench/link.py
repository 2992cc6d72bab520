"""CPU of one Modbus TCP transaction on the client's side, in microseconds: our link against its peers.

    python bench/link.py [--links 50] [--reads 400] [--rounds 3]

One server (bare asyncio, uvloop where it is installed) runs in another process; each client reads 100
registers again and again over 50 sockets. Figures are user and system time of the client's process divided
by transactions, the least of the rounds; rounds of all clients take turns, so that a busy machine meets all.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import multiprocessing
import socket
import struct
import sys
import time
from collections.abc import Awaitable, Callable, Coroutine
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from probe.model.device_map import Target
from probe.model.evidence import Framing, Outcome, Purpose
from probe.model.pdu import read_request
from probe.model.profile import Quirks
from probe.wire.connect import link_to
from probe.wire.link import Request
from probe.wire.system_clock import SystemClock

REGISTERS = 100
REQUEST = read_request(3, 0, REGISTERS)
Client = Callable[[int, int, int], Coroutine[object, object, None]]


def serve(listener: socket.socket) -> None:
    """Answer every request for 100 registers, in a process of its own."""
    answer = bytes((3, 2 * REGISTERS)) + bytes(2 * REGISTERS)

    class Server(asyncio.Protocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = transport

        def data_received(self, data: bytes) -> None:
            frame = data[:2] + struct.pack(">HHB", 0, 1 + len(answer), data[6]) + answer
            self.transport.write(frame)  # type: ignore[attr-defined]

    async def run() -> None:
        server = await asyncio.get_running_loop().create_server(Server, sock=listener)
        await server.serve_forever()

    with contextlib.suppress(KeyboardInterrupt):
        _runner(uvloop=True)(run())


def _runner(*, uvloop: bool) -> Callable[[Coroutine[object, object, object]], object]:
    if uvloop:
        with contextlib.suppress(ImportError):
            import uvloop as fast

            return fast.run
    return asyncio.run


async def ours(port: int, links: int, reads: int) -> None:
    """The link of this project, one Exchange for each transaction."""
    clock = SystemClock()
    quirks = Quirks()

    async def one() -> None:
        link = link_to(Target("127.0.0.1", port, 1, Framing.MBAP, None, ""), clock, print)
        await link.open(5.0)
        for turn in range(reads):
            exchange = await link.exchange(Request("T1", Purpose.POLL, turn, 1, 1, REQUEST, 5.0), quirks)
            assert exchange.outcome is Outcome.DATA
        await link.close()

    await _together(one() for _ in range(links))


class Bare(asyncio.Protocol):
    """The least that asyncio allows: one future for each transaction, nothing checked, no time-out."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        self.waiter.set_result(data)


async def bare(port: int, links: int, reads: int) -> None:
    """The floor: a bare protocol."""
    loop = asyncio.get_running_loop()
    frame = struct.pack(">HHHB", 1, 0, 1 + len(REQUEST), 1) + REQUEST

    async def one() -> None:
        transport, protocol = await loop.create_connection(Bare, "127.0.0.1", port)
        for _ in range(reads):
            protocol.waiter = loop.create_future()
            transport.write(frame)
            await protocol.waiter
        transport.close()

    await _together(one() for _ in range(links))


async def library(port: int, links: int, reads: int) -> None:
    """pymodbus's asynchronous client."""
    from pymodbus.client import AsyncModbusTcpClient

    async def one() -> None:
        client = AsyncModbusTcpClient("127.0.0.1", port=port, retries=0, reconnect_delay=0)
        await client.connect()
        for _ in range(reads):
            await client.read_holding_registers(0, count=REGISTERS, device_id=1)
        client.close()

    await _together(one() for _ in range(links))


async def _together(jobs: Iterable[Awaitable[None]]) -> None:  # noqa: F821
    await asyncio.gather(*jobs)


def measure(client: Client, port: int, links: int, reads: int, *, uvloop: bool) -> float:
    """Microseconds of CPU a transaction."""
    before = time.process_time()
    _runner(uvloop=uvloop)(client(port, links, reads))
    return (time.process_time() - before) / (links * reads) * 1e6


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    for name, default in (("links", 50), ("reads", 400), ("rounds", 3)):
        options.add_argument(f"--{name}", type=int, default=default)
    chosen = options.parse_args()
    listener = socket.create_server(("127.0.0.1", 0), backlog=1024)
    port = listener.getsockname()[1]
    server = multiprocessing.get_context("spawn").Process(target=serve, args=(listener,), daemon=True)
    server.start()
    clients: tuple[tuple[str, Client], ...] = (
        ("bare asyncio", bare),
        ("our link", ours),
        ("pymodbus", library),
    )
    try:
        best = _best(clients, port, chosen)
    finally:
        server.terminate()
        server.join()
    print(f"{'client':14} {'asyncio':>9} {'uvloop':>9}   us CPU a transaction")
    for name, _ in clients:
        print(f"{name:14} {best[name, False]:9.1f} {best[name, True]:9.1f}")


def _best(
    clients: tuple[tuple[str, Client], ...], port: int, chosen: argparse.Namespace
) -> dict[tuple[str, bool], float]:
    best: dict[tuple[str, bool], float] = {}
    for _ in range(chosen.rounds):
        for name, client in clients:
            for fast in (False, True):
                took = measure(client, port, chosen.links, chosen.reads, uvloop=fast)
                best[name, fast] = min(took, best.get((name, fast), took))
    return best


if __name__ == "__main__":
    main()
