"""Opening a TCP connection for a link: one attempt, bound to the chosen interface."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket


async def dial(protocol: asyncio.Protocol, host: str, port: int, *, local_address: str | None = None) -> None:
    """Connect the protocol to host and port.

    A numeric address is used as it is, without the resolver; the addresses of a name are tried in turn.
    local_address: address of the interface to use, None for the system's choice.
    Raises OSError of the first address that failed when none could be reached.
    """
    loop = asyncio.get_running_loop()
    local = (local_address, 0) if local_address else None
    failed: OSError | None = None
    for address in await _addresses(loop, host, port):
        try:
            await loop.create_connection(lambda: protocol, address, port, local_addr=local)
            return
        except OSError as error:
            failed = failed or error
    raise failed or socket.gaierror(socket.EAI_NONAME, "the name has no address")


async def _addresses(loop: asyncio.AbstractEventLoop, host: str, port: int) -> list[str]:
    """Numeric addresses of the host, each once, in the system's order."""
    with contextlib.suppress(OSError):
        socket.inet_pton(socket.AF_INET, host)  # the usual case, told in a tenth of the time
        return [host]
    try:
        return [str(ipaddress.ip_address(host))]
    except ValueError:
        found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        return list(dict.fromkeys(str(entry[4][0]) for entry in found))
