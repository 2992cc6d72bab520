"""This computer's own interfaces and routes, as its system tells them; sends nothing.

psutil tells addresses, speed and duplex on every system; what sort an interface is comes from the system's
own folders on Linux, from its name elsewhere (common practice, no source). Routes are read on Linux only:
elsewhere none is told, which says nothing.
"""

from __future__ import annotations

import ipaddress
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

from probe.model.network_evidence import OwnInterface, Route

_TUNNELS = ("tun", "tap", "utun", "ppp", "ipsec", "wg")
_VIRTUAL_WORDS = ("virtual", "vethernet", "vmware", "docker", "vmnet", "hyper-v")
_VPN_WORDS = ("vpn", "tunnel")
_WIRELESS = ("wl", "wi-fi", "wifi", "wlan")
#: Types of link without Ethernet: point to point, tunnels, none (Linux if_arp.h, from memory).
_TUNNEL_TYPES = ("512", "768", "769", "776", "778", "65534")
_SYSTEM = Path("/sys/class/net")


def own_interfaces(at_ns: int, chosen: str = "") -> tuple[OwnInterface, ...]:
    """Every address of every interface, one line each; an interface without address has one line too."""
    import psutil

    try:
        addresses, states = psutil.net_if_addrs(), psutil.net_if_stats()
    except OSError:  # sandboxes hide them
        return ()
    duplexes = {int(psutil.NIC_DUPLEX_FULL): "full", int(psutil.NIC_DUPLEX_HALF): "half"}
    found: list[OwnInterface] = []
    for name, entries in addresses.items():
        state = states.get(name)
        link = next((entry.address for entry in entries if entry.family == psutil.AF_LINK), "")
        numbers = [_with_prefix(e.address, e.netmask) for e in entries if e.family in _FAMILIES and e.netmask]
        for address in numbers or [""]:
            found.append(
                OwnInterface(
                    at_ns=at_ns,
                    name=name,
                    address=address,
                    hardware_address=link.replace("-", ":").lower(),
                    up=bool(state.isup) if state else True,
                    speed_mbps=int(state.speed or 0) % 65_535 if state else 0,  # 65535: not known
                    duplex=duplexes.get(int(state.duplex), "") if state else "",
                    sort=sort_of(name),
                    chosen=name == chosen,
                )
            )
    return tuple(found)


_FAMILIES = (socket.AF_INET, socket.AF_INET6)


def _with_prefix(address: str, netmask: str) -> str:
    """``10.20.1.9/24``. IPv6 masks come as addresses and are counted by bits."""
    plain = address.partition("%")[0]
    return f"{plain}/{int(ipaddress.ip_address(netmask)).bit_count()}"


def sort_of(name: str) -> str:
    """Wired, wireless, tunnel, virtual, bridge or loopback."""
    lower = name.lower()
    if sys.platform == "linux":
        return _sort_on_linux(name)
    if lower.startswith("lo"):
        return "loopback"
    if lower.startswith(_WIRELESS):
        return "wireless"
    if lower.startswith(_TUNNELS) or any(word in lower for word in _VPN_WORDS):
        return "tunnel"
    if lower.startswith("bridge"):
        return "bridge"
    return "virtual" if any(word in lower for word in _VIRTUAL_WORDS) else "wired"


def _sort_on_linux(name: str) -> str:
    folder = _SYSTEM / name
    try:
        kind = (folder / "type").read_text(encoding="ascii").strip()
    except OSError:
        kind = ""
    if kind == "772":
        return "loopback"
    if kind in _TUNNEL_TYPES or name.startswith(_TUNNELS):
        return "tunnel"
    if (folder / "wireless").exists():
        return "wireless"
    if (folder / "bridge").is_dir():
        return "bridge"
    return "wired" if (folder / "device").exists() else "virtual"


def own_routes(at_ns: int) -> tuple[Route, ...]:
    """The IPv4 routes of this computer; empty where the system does not keep them in a file."""
    try:
        text = Path("/proc/net/route").read_text(encoding="ascii", errors="replace")
    except OSError:
        return ()
    return tuple(parse_routes(text, at_ns))


def parse_routes(text: str, at_ns: int) -> Iterator[Route]:
    """The routes of ``/proc/net/route``: numbers in hexadecimal, lowest byte first.

    Columns: interface, destination, gateway, flags, ..., metric, mask (route(8), from memory). Only routes
    that are up (flag 1).
    """
    for line in text.splitlines()[1:]:
        columns = line.split()
        try:
            flags, metric = int(columns[3], 16), int(columns[6])
            destination, gateway, mask = (_address(columns[i]) for i in (1, 2, 7))
            network = ipaddress.ip_network(f"{destination}/{mask}", strict=False)
        except (IndexError, ValueError):
            continue
        if flags & 1:
            router = str(gateway) if int(gateway) else ""
            yield Route(at_ns, str(network), router, columns[0], metric)


def _address(text: str) -> ipaddress.IPv4Address:
    return ipaddress.IPv4Address(bytes.fromhex(text.zfill(8))[::-1])
