"""Adapter watch: says once when an adapter of this computer that the run uses is gone, and where it is now.

Looked at only when a connection fails: by then the system has told that there is no way, and nothing more.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable

from probe.model.evidence import Connect, ConnectOutcome
from probe.wire import adapters

GONE = "adapter"
_SUSPECT = (ConnectOutcome.NO_ROUTE, ConnectOutcome.NO_ANSWER)
_AGAIN_NS = 1_000_000_000


class AdapterWatch:
    """Remembers by which adapters connections were made. note: called with topic and text."""

    def __init__(self, note: Callable[[str, str], None]) -> None:
        self._note = note
        self._known: dict[str, tuple[str, str]] = {}  # our address to the adapter's name and hardware address
        self._told: set[str] = set()
        self._looked_ns = -_AGAIN_NS

    def see(self, connect: Connect) -> None:
        """A connection was made, or could not be made."""
        if connect.outcome is ConnectOutcome.OPEN:
            address = connect.local.rpartition(":")[0].strip("[]")
            if address and address not in self._known:
                self._known[address] = _adapter_of(address)
        elif connect.outcome in _SUSPECT and connect.received_ns - self._looked_ns >= _AGAIN_NS:
            self._looked_ns = connect.received_ns
            self._look()
        elif connect.outcome is ConnectOutcome.NO_PORT and adapters.MOVED in connect.detail:
            self._tell(connect.host, f"{connect.host} is gone: {connect.detail}")

    def _look(self) -> None:
        for name, hardware in set(self._known.values()):
            if hardware and not adapters.interface_hardware(name):
                now = adapters.interface_now(hardware, name)
                where = f"{adapters.MOVED} {now}: give that one the address" if now else "it is nowhere else"
                self._tell(name, f"{name} ({hardware}) is gone from this computer; {where}")

    def _tell(self, name: str, text: str) -> None:
        if name not in self._told:
            self._told.add(name)
            self._note(GONE, text)


def _adapter_of(address: str) -> tuple[str, str]:
    """Name and hardware address of the adapter with this address of ours; empty for the loopback."""
    try:
        if ipaddress.ip_address(address.partition("%")[0]).is_loopback:
            return "", ""
    except ValueError:
        return "", ""
    name = adapters.interface_of(address)
    return name, adapters.interface_hardware(name)
