"""ICMP echo where the system permits it; where not, that is said once, as a value, and nothing is missing.

Whether echo is permitted has nothing to do with any device: ``echo_right`` asks the system, before any host
is tried. A host that does not answer an echo may be quite well (firewalls drop ICMP); the judge knows.
"""

from __future__ import annotations

import ipaddress
from enum import StrEnum

from probe.model.clock import RunClock
from probe.model.evidence import Echo


class EchoRight(StrEnum):
    """How this process may send echo requests."""

    RAW = "raw socket"
    DATAGRAM = "datagram socket"
    NOT_PERMITTED = "not permitted"
    NOT_AVAILABLE = "not available"


def echo_right() -> EchoRight:
    """What the system permits this process; opens a socket and closes it, sends nothing."""
    from icmplib import ICMPLibError, ICMPv4Socket, SocketPermissionError

    permitted = True
    for right, privileged in ((EchoRight.DATAGRAM, False), (EchoRight.RAW, True)):
        try:
            ICMPv4Socket(None, privileged).close()
        except SocketPermissionError:
            permitted = False
        except ICMPLibError:
            continue
        else:
            return right
    return EchoRight.NOT_AVAILABLE if permitted else EchoRight.NOT_PERMITTED


async def echo(
    host: str,
    tag: str,
    clock: RunClock,
    right: EchoRight,
    *,
    timeout_s: float = 1.0,
    local_address: str | None = None,
) -> Echo:
    """One echo request to a numeric address, and whether it was answered.

    right: RAW or DATAGRAM, as echo_right said. A request that could not be sent, or that a router answered
    with "unreachable", counts as not answered. Never raises but CancelledError.
    """
    from icmplib import AsyncSocket, ICMPLibError, ICMPRequest, ICMPv4Socket, ICMPv6Socket

    sent_ns = clock.now_ns()
    try:
        family = ICMPv6Socket if ipaddress.ip_address(host).version == 6 else ICMPv4Socket
        with AsyncSocket(family(local_address, right is EchoRight.RAW)) as socket:
            request = ICMPRequest(destination=host, id=_next_id(), sequence=1)
            sent_ns = clock.now_ns()
            socket.send(request)
            reply = await socket.receive(request, timeout_s)
            received_ns = clock.now_ns()
            reply.raise_for_status()
    except (TimeoutError, ICMPLibError, OSError, ValueError):
        return Echo(host, tag, sent_ns, clock.now_ns(), answered=False)
    return Echo(host, tag, sent_ns, received_ns, answered=True)


def _next_id() -> int:
    from icmplib.utils import unique_identifier

    return int(unique_identifier())
