"""A server on loopback that answers as a test tells it to, byte for byte, and closes as it is told."""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable

import pytest

from probe.model.evidence import Purpose, Stray
from probe.wire.link import Link, Request

PATIENCE_S = 20.0  # for what must come: on a healthy machine it never decides a test

#: What the server does for a segment received: bytes are sent as one segment, a float is a pause in
#: seconds, "close" is an orderly close, "reset" a TCP reset.
Step = bytes | float | str
Answer = Callable[[bytes, int], Iterable[Step]]


class HostileServer:
    """Runs on a free port of 127.0.0.1 in the test's own loop. answer(segment, how many came so far)."""

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.seen: list[bytes] = []
        self.connections = 0
        self.ends: list[str] = []  # how each client left: "FIN" or the name of the error
        self.port = 0
        self.greeting: tuple[float, bytes] | None = None  # after a pause, to each new client unasked
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> HostileServer:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.connections += 1
        try:
            await self._converse(reader, writer)
        except (OSError, asyncio.CancelledError) as error:
            self.ends.append(type(error).__name__)
        finally:
            self._tasks.discard(task)
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.greeting is not None:
            await asyncio.sleep(self.greeting[0])
            writer.write(self.greeting[1])
        while data := await reader.read(4096):
            self.seen.append(data)
            for step in self.answer(data, len(self.seen)):
                if isinstance(step, float):
                    await asyncio.sleep(step)
                elif isinstance(step, bytes):
                    writer.write(step)
                    await writer.drain()
                else:
                    if step == "reset":
                        linger = struct.pack("ii", 1, 0)
                        writer.get_extra_info("socket").setsockopt(
                            socket.SOL_SOCKET, socket.SO_LINGER, linger
                        )
                    return
        self.ends.append("FIN")


def pytest_asyncio_loop_factories(
    config: pytest.Config, item: pytest.Item
) -> dict[str, Callable[[], asyncio.AbstractEventLoop]]:
    """Every test of this directory runs on both event loops of an audit; uvloop is not there on Windows."""
    factories: dict[str, Callable[[], asyncio.AbstractEventLoop]] = {"asyncio": asyncio.new_event_loop}
    if importlib.util.find_spec("uvloop"):
        import uvloop

        factories["uvloop"] = uvloop.new_event_loop
    return factories


@pytest.fixture
def hostile() -> type[HostileServer]:
    """``async with hostile(answer) as server``."""
    return HostileServer


@pytest.fixture
def strays() -> list[Stray]:
    """Where the links of a test report strays."""
    return []


@pytest.fixture
async def opened() -> AsyncIterator[Callable[[Link], Awaitable[Link]]]:
    """Opens a link and closes it after the test."""
    links: list[Link] = []

    async def open_link(link: Link) -> Link:
        connect = await link.open(PATIENCE_S)
        assert link.is_open, connect
        links.append(link)
        return link

    yield open_link
    for link in links:
        await link.close()


@pytest.fixture
def ask() -> Callable[..., Request]:
    """Makes a request as the collector does; by default the standard's example for function 3."""

    def make(
        pdu: bytes = bytes.fromhex("03006B0003"), unit: int = 5, timeout_s: float = PATIENCE_S
    ) -> Request:
        return Request(f"U{unit}", Purpose.POLL, 0, 1, unit, pdu, timeout_s)

    return make


@pytest.fixture
def until() -> Callable[[Callable[[], object]], Awaitable[None]]:
    """Waits until something is true, for as long as patience lasts."""

    async def wait(true: Callable[[], object]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while not true():  # noqa: ASYNC110  what is waited for knows no events
                await asyncio.sleep(0.002)

    return wait
