"""Hardware addresses of hosts from the operating system's neighbour table; no packet is sent.

Linux keeps the table of IPv4 in ``/proc/net/arp``; Windows and macOS print theirs with ``arp -a``. The
parsers are pure functions over such texts. A host that is not in the table has no entry: absence says
nothing about the host.
"""

from __future__ import annotations

import ipaddress
import re
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

from probe.model.clock import RunClock
from probe.model.evidence import Neighbour

_PAIRS = re.compile(r"(?<![0-9A-Fa-f:.-])(?:[0-9A-Fa-f]{1,2}[:-]){5}[0-9A-Fa-f]{1,2}(?![0-9A-Fa-f:-])")
_ADDRESS = re.compile(r"(?<![\d.])\d{1,3}(?:\.\d{1,3}){3}(?![\d.])")
_HARDWARE = re.compile(r"[0-9a-f]{2}(?::[0-9a-f]{2}){5}")
_NOBODY = {"00:00:00:00:00:00", "ff:ff:ff:ff:ff:ff"}


def neighbour_of(host: str, tag: str, clock: RunClock, table: dict[str, str]) -> Neighbour:
    """What the table holds for a host's numeric address; the hardware address is empty if nothing."""
    return Neighbour(host, tag, clock.now_ns(), table.get(host, ""))


def read_table() -> dict[str, str]:
    """Numeric address to hardware address, as the system holds it now; empty if it cannot be read."""
    try:
        if sys.platform.startswith("linux"):
            return parse_proc(Path("/proc/net/arp").read_text(encoding="ascii", errors="replace"))
        command = ["arp", "-a"] if sys.platform == "win32" else ["arp", "-an"]
        listed = subprocess.run(  # noqa: S603, RUF100  a fixed command, no shell
            command, capture_output=True, timeout=5, check=False, stdin=subprocess.DEVNULL
        )
        return parse_arp(listed.stdout.decode(errors="replace"))
    except (OSError, subprocess.SubprocessError):
        return {}


def parse_proc(text: str) -> dict[str, str]:
    """The table of ``/proc/net/arp``: complete entries only (flag 2).

    Columns: address, hardware type, flags, hardware address, mask, device (proc(5), Linux man-pages).
    """
    table: dict[str, str] = {}
    for line in text.splitlines()[1:]:
        columns = line.split()
        if len(columns) >= 6 and _flags(columns[2]) & 2:
            _add(table, columns[0], columns[3])
    return table


def _flags(text: str) -> int:
    try:
        return int(text, 0)
    except ValueError:
        return 0


def parse_arp(text: str) -> dict[str, str]:
    """The table that ``arp -a`` prints on Windows or macOS, in whatever language its headings are."""
    table: dict[str, str] = {}
    for line in text.splitlines():
        address, hardware = _ADDRESS.search(line), _PAIRS.search(line)
        if address and hardware:
            _add(table, address.group(), hardware.group())
    return table


def _add(table: dict[str, str], address: str, hardware: str) -> None:
    joined = ":".join(pair.zfill(2) for pair in re.split(r"[:-]", hardware.lower()))
    if not _HARDWARE.fullmatch(joined):
        return
    try:
        table[str(ipaddress.ip_address(address))] = joined
    except ValueError:
        return
    if joined in _NOBODY:
        del table[address]


def shared(table: dict[str, str]) -> dict[str, tuple[str, ...]]:
    """Hardware addresses that stand for more than one host (a router or proxy), with these hosts."""
    hosts: dict[str, list[str]] = {}
    for address, hardware in table.items():
        hosts.setdefault(hardware, []).append(address)
    return {hardware: _sorted(found) for hardware, found in hosts.items() if len(found) > 1}


def _sorted(addresses: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(addresses, key=lambda text: int(ipaddress.ip_address(text))))
