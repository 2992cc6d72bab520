"""Link: one connection (TCP socket or serial port) that carries Modbus requests, one at a time.

Every implementation makes a single attempt and says what became of it; retries, pauses and budgets belong
to the collector. Nothing of the operating system or of a library escapes as an exception: each failure is
an ``Outcome`` (only ``asyncio.CancelledError`` passes).
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from enum import Enum
from typing import NamedTuple, Protocol

from probe.model.evidence import Connect, Disconnect, Exchange, Purpose, Stray
from probe.model.profile import Quirks


class Request(NamedTuple):
    """What to ask. pdu: function code and data (only functions of the allow-list are sent)."""

    tag: str
    purpose: Purpose
    round: int
    attempt: int
    unit: int
    pdu: bytes
    timeout_s: float


class Hold(Enum):
    """What ``follow`` says when the next request will be given later, by ``resume``."""

    HOLD = "hold"


StrayHandler = Callable[[Stray], None]
#: Takes a plain good answer; gives the request that follows at once, None if there is more to think about.
Follow = Callable[[Exchange], Request | Hold | None]
#: Sends a request and those that follow; the exchange that ended it. See ``TcpLink.converse``.
Converse = Callable[[Request, Quirks, Follow], Awaitable[Exchange]]
#: Goes on with a conversation that ``follow`` holds; see ``TcpLink.resume``.
Resume = Callable[[Request | None], None]


class Link(Protocol):
    """One connection. At most one request is in flight."""

    name: str

    @property
    def is_open(self) -> bool:
        """True while requests can be sent."""
        ...

    async def open(self, timeout_s: float) -> Connect:
        """Try once to connect."""
        ...

    async def exchange(self, request: Request, quirks: Quirks) -> Exchange:
        """Send one request and wait for its answer or the time-out.

        Raises WriteRefused (a bug of ours) if the function is not on the allow-list.
        After a framing fault the link has closed itself: there is no hunting for the next header.
        """
        ...

    async def ends_within(self, wait_s: float) -> bool:
        """True once the other side has ended the connection; False if it is still open after the wait."""
        ...

    async def close(self) -> Disconnect | None:
        """Close in good order (FIN); None if it was not open. Never raises."""
        ...
