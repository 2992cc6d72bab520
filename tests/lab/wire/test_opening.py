"""What an attempt to connect comes to, on real sockets of loopback and on a network of our own."""

from __future__ import annotations

import asyncio
import socket
import sys

import pytest

from probe.model.device_map import Target
from probe.model.evidence import ConnectOutcome, Framing, Outcome
from probe.model.profile import Quirks
from probe.wire.connect import link_to
from probe.wire.link import Link
from probe.wire.system_clock import SystemClock


def link_at(host: str, port: int, framing: Framing = Framing.MBAP, local: str | None = None) -> Link:
    return link_to(Target(host, port, 5, framing, None, ""), SystemClock(), print, local_address=local)


@pytest.fixture
def closed_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


BOTH = pytest.mark.parametrize("framing", list(Framing))


@BOTH
async def test_nobody_listens(closed_port, ask, framing):
    link = link_at("127.0.0.1", closed_port, framing)
    connect = await link.open(20.0)
    assert (connect.outcome, connect.host, connect.local) == (ConnectOutcome.REFUSED, link.name, "")
    assert connect.detail
    assert connect.sent_ns <= connect.received_ns
    assert not link.is_open
    assert (await link.exchange(ask(), Quirks())).outcome is Outcome.NOT_SENT
    assert await link.close() is None


@BOTH
async def test_the_name_does_not_resolve(framing):
    for name in ("no-such-host.invalid", "x" * 80 + ".invalid"):
        assert (await link_at(name, 502, framing).open(20.0)).outcome is ConnectOutcome.NO_NAME


async def test_a_name_is_resolved(hostile):
    async with hostile(lambda *_: []) as server:
        link = link_at("localhost", server.port)  # ::1 first on many systems, where nobody listens
        assert (await link.open(20.0)).outcome is ConnectOutcome.OPEN
        await link.close()


async def test_small_requests_leave_at_once(hostile):
    """TCP_NODELAY is set, by the event loop: Nagle's algorithm would hold a second request back."""
    async with hostile(lambda *_: []) as server:
        link = link_at("127.0.0.1", server.port)
        await link.open(20.0)
        connection = link._transport.get_extra_info("socket")
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        await link.close()


async def test_addresses_of_a_name_are_tried_in_turn(hostile, monkeypatch):
    """The first address refuses (nobody listens at 127.0.0.2), the second answers: one attempt, open."""

    async def addresses(*_: object) -> list[str]:
        return ["127.0.0.2", "127.0.0.1"]

    monkeypatch.setattr("probe.wire.dial._addresses", addresses)
    async with hostile(lambda *_: []) as server:
        link = link_at("gateway.example", server.port)
        assert (await link.open(20.0)).outcome is ConnectOutcome.OPEN
        await link.close()


async def test_ipv6():
    try:
        server = await asyncio.start_server(lambda _, writer: writer.close(), "::1", 0)
    except OSError:
        pytest.skip("this system has no IPv6 loopback")
    async with server:
        link = link_at("::1", server.sockets[0].getsockname()[1])
        connect = await link.open(20.0)
        assert connect.outcome is ConnectOutcome.OPEN
        assert link.name.startswith("[::1]:")
        assert connect.local.startswith("[::1]:")
        await link.close()


async def test_the_queue_of_the_server_is_full():
    """A listener that accepts nothing: once its queue is full, the system drops what comes."""
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen(0)
        links = [link_at("127.0.0.1", server.getsockname()[1]) for _ in range(6)]
        outcomes = [(await link.open(0.1)).outcome for link in links]
        for link in links:
            await link.close()
    if sys.platform != "linux":
        pytest.skip("other systems answer a full queue in their own ways")
    assert outcomes[-1] is ConnectOutcome.NO_ANSWER


@pytest.mark.skipif(sys.platform != "linux", reason="other systems name it differently")
async def test_an_interface_that_is_not_ours(closed_port):
    connect = await link_at("127.0.0.1", closed_port, local="192.0.2.77").open(20.0)
    assert connect.outcome is ConnectOutcome.FAILED
    assert "assign" in connect.detail


async def test_opening_can_be_cancelled_and_tried_again(hostile):
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        fillers = [link_at("127.0.0.1", full.getsockname()[1]) for _ in range(3)]
        for filler in fillers:
            await filler.open(0.05)
        link = link_at("127.0.0.1", full.getsockname()[1])
        task = asyncio.create_task(link.open(20.0))
        await asyncio.sleep(0.02)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert not link.is_open
        assert await link.close() is None
        for filler in fillers:
            await filler.close()


async def test_closed_before_the_first_request(hostile, ask, until):
    """A server that accepts and closes: the end is seen, told once, and nothing is sent."""
    server = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", 0)
    async with server:
        link = link_at("127.0.0.1", server.sockets[0].getsockname()[1])
        connect = await link.open(20.0)
        assert connect.outcome in (ConnectOutcome.OPEN, ConnectOutcome.CLOSED_AT_ONCE)
        await until(lambda: not link.is_open)
        assert (await link.exchange(ask(), Quirks())).outcome is Outcome.NOT_SENT
        disconnect = await link.close()
        assert (disconnect.by_peer, disconnect.requests) == (True, 0)
