"""Preflight: which way the requests will take, known before any device is touched.

The way to an address is asked of the operating system itself (a datagram socket is connected, which
sends nothing); the adapters come from psutil. What is wrong with the ways is decided by ``judge_ways``,
which is pure. Rules: no silent choice of an adapter; a wrong subnet stops the run with the sentence that
mends it; tunnels and doubled subnets are told.
"""

from __future__ import annotations

import ipaddress
import socket
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from probe.model.device_map import DeviceMap
from probe.model.errors import Problem

IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address
IpNetwork = ipaddress.IPv4Network | ipaddress.IPv6Network

#: Beginnings of names that tunnels and virtual adapters bear outside Linux (common practice, no source).
_TUNNELS = ("tun", "tap", "utun", "ppp", "ipsec", "veth", "bridge")
_TUNNEL_WORDS = ("vpn", "tunnel", "virtual")
#: Types of link that carry no Ethernet: point to point, tunnels, none (Linux if_arp.h, from memory).
_LINUX_TUNNEL_TYPES = ("512", "768", "769", "776", "778", "65534")
_WIRELESS = ("wl", "wi-fi", "wifi", "wlan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Adapter:
    """One address of one adapter of this computer. speed_mbps: 0 where the system does not say."""

    name: str
    address: IpAddress
    network: IpNetwork
    hardware_address: str = ""
    up: bool = True
    speed_mbps: int = 0
    wireless: bool = False
    tunnel: bool = False

    def __str__(self) -> str:
        """As the record's header shows it: ``eth0 192.0.2.10/24 02:00:5e:10:00:01 1000 Mbit/s``."""
        speed = f"{self.speed_mbps} Mbit/s" if self.speed_mbps else ""
        parts = (self.name, f"{self.address}/{self.network.prefixlen}", self.hardware_address, speed)
        return " ".join(part for part in (*parts, "" if self.up else "down") if part)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How the system would reach a host. local: our address, None without any route."""

    host: IpAddress
    local: IpAddress | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Preflight:
    """What was found. lines: the ways in words; cautions: to be told; stops: reasons not to start."""

    adapters: tuple[Adapter, ...]
    lines: tuple[str, ...]
    cautions: tuple[str, ...]
    stops: tuple[Problem, ...]


def preflight(lineup_map: DeviceMap, tags: Sequence[str]) -> Preflight:
    """The ways to the devices of these tags and what is wrong with them. Sends nothing."""
    adapters = own_adapters()
    hosts = numeric_hosts(lineup_map, tags)
    ways = tuple(Way(host=host, local=local_address(host)) for host in hosts)
    return judge_ways(ways, adapters)


def numeric_hosts(lineup_map: DeviceMap, tags: Sequence[str]) -> tuple[IpAddress, ...]:
    """The addresses that the run will open, each once. Host names are left to the connection."""
    hosts: dict[IpAddress, None] = {}
    for tag in tags:
        try:
            hosts[ipaddress.ip_address(lineup_map.target(tag).host)] = None
        except ValueError:  # a name, or a serial line
            continue
    return tuple(hosts)


def local_address(host: IpAddress) -> IpAddress | None:
    """Our address that the system would send from, None without a route. No datagram is sent."""
    family = socket.AF_INET6 if host.version == 6 else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as probe_socket:
            probe_socket.connect((str(host), 502))
            return ipaddress.ip_address(probe_socket.getsockname()[0].partition("%")[0])
    except OSError:
        return None


def own_adapters() -> tuple[Adapter, ...]:
    """Every IP address of this computer with its adapter; empty if the system will not say."""
    import psutil

    try:
        addresses, states = psutil.net_if_addrs(), psutil.net_if_stats()
    except OSError:  # sandboxes hide them
        return ()
    found: list[Adapter] = []
    for name, entries in addresses.items():
        link = next((entry.address for entry in entries if entry.family == psutil.AF_LINK), "")
        state = states.get(name)
        for entry in entries:
            if entry.family not in (socket.AF_INET, socket.AF_INET6) or not entry.netmask:
                continue
            found.append(_adapter(name, entry.address, entry.netmask, link, state))
    return tuple(found)


def _adapter(name: str, address: str, netmask: str, link: str, state: object) -> Adapter:
    """One adapter from what psutil says. IPv6 masks come as addresses and are counted by bits."""
    plain = ipaddress.ip_address(address.partition("%")[0])
    prefix = int(ipaddress.ip_address(netmask)).bit_count()
    return Adapter(
        name=name,
        address=plain,
        network=ipaddress.ip_network(f"{plain}/{prefix}", strict=False),
        hardware_address=link.replace("-", ":").lower(),
        up=bool(getattr(state, "isup", True)),
        speed_mbps=int(getattr(state, "speed", 0) or 0) % 65_535,  # 65535: the driver does not know
        wireless=_is_wireless(name),
        tunnel=_is_tunnel(name),
    )


def _is_wireless(name: str) -> bool:
    if sys.platform == "linux":
        return Path("/sys/class/net", name, "wireless").exists()
    return name.lower().startswith(_WIRELESS)


def _is_tunnel(name: str) -> bool:
    """True for tunnels and virtual bridges: by what the system says of them, elsewhere by their names."""
    if sys.platform == "linux":
        folder = Path("/sys/class/net", name)
        try:
            kind = (folder / "type").read_text(encoding="ascii").strip()
        except OSError:
            return False
        return kind in _LINUX_TUNNEL_TYPES or (folder / "bridge").is_dir()
    return name.lower().startswith(_TUNNELS) or any(word in name.lower() for word in _TUNNEL_WORDS)


def judge_ways(ways: Sequence[Way], adapters: Sequence[Adapter]) -> Preflight:
    """The ways in words, with cautions and reasons to stop.

    A host without a route is a caution while others can be reached, and a stop when none can.
    """
    up = [adapter for adapter in adapters if adapter.up]
    lost = [way.host for way in ways if way.local is None]
    cautions = [*_tunnel_cautions(ways, up), *_doubled_cautions(ways, up), *_routed_cautions(ways, up)]
    stops: tuple[Problem, ...] = ()
    if lost and len(lost) == len(ways):
        stops = (_no_way(lost, up),)
    elif lost:
        cautions.insert(0, f"No way to {_several(lost)} from this computer: they will be found unreachable.")
    return Preflight(
        adapters=tuple(adapters), lines=_way_lines(ways, up), cautions=tuple(cautions), stops=stops
    )


def _way_lines(ways: Sequence[Way], adapters: Sequence[Adapter]) -> tuple[str, ...]:
    """One line for each of our own addresses that is used: which adapter, how many hosts."""
    hosts: dict[IpAddress, int] = {}
    for way in ways:
        if way.local is not None:
            hosts[way.local] = hosts.get(way.local, 0) + 1
    lines = []
    for local, count in hosts.items():
        adapter = _with_address(adapters, local)
        name = f"{adapter.name}, " if adapter else ""
        lines.append(f"{name}{local}, to {count} host{'s' if count != 1 else ''}")
    return tuple(lines)


def _tunnel_cautions(ways: Sequence[Way], adapters: Sequence[Adapter]) -> list[str]:
    """Told when the system would send through a tunnel or a virtual bridge."""
    caught: dict[str, list[IpAddress]] = {}
    for way in ways:
        adapter = _with_address(adapters, way.local)
        if adapter is not None and adapter.tunnel:
            caught.setdefault(adapter.name, []).append(way.host)
    return [
        f"The way to {_several(hosts)} goes through {name}, which looks like a tunnel (VPN) or a virtual "
        "network. If the gear is on your own cable, leave the VPN first."
        for name, hosts in caught.items()
    ]


def _doubled_cautions(ways: Sequence[Way], adapters: Sequence[Adapter]) -> list[str]:
    """Told when two adapters that are up both claim the subnet of a target, as wire and Wi-Fi do."""
    seen: dict[tuple[str, ...], list[IpAddress]] = {}
    for way in ways:
        names = dict.fromkeys(adapter.name for adapter in adapters if way.host in adapter.network)
        if len(names) > 1:
            seen.setdefault(tuple(names), []).append(way.host)
    return [
        f"{' and '.join(names)} are both in the subnet of {_several(hosts)}: the requests may leave by the "
        "wrong one. Switch the other one off (usually Wi-Fi) and start again."
        for names, hosts in seen.items()
    ]


def _routed_cautions(ways: Sequence[Way], adapters: Sequence[Adapter]) -> list[str]:
    """Told when a target is in none of our subnets and is reached through a router."""
    routed = [
        way.host
        for way in ways
        if way.local is not None
        and adapters
        and not any(way.host in adapter.network for adapter in adapters)
        and not getattr(_with_address(adapters, way.local), "tunnel", False)
    ]
    if not routed:
        return []
    which = (
        "lies in no subnet of this computer and is"
        if len(routed) == 1
        else ("lie in no subnet of this computer and are")
    )
    text = f"{_several(routed)} {which} reached through a router. If the gear is on your own cable, "
    return [text + "this computer's address or mask is wrong."]


def _no_way(lost: Sequence[IpAddress], adapters: Sequence[Adapter]) -> Problem:
    """The problem that stops the run: no host of the map can be reached from here."""
    own = [str(adapter) for adapter in adapters if not adapter.address.is_loopback]
    return Problem(
        file="network",
        what=f"this computer has no way to {_several(lost)}: it is not in their subnet and has no route",
        found="; ".join(own) or "no adapter that is up with an address",
        remedy="give the wired adapter a free address in that subnet, with its mask, and start again",
    )


def _with_address(adapters: Iterable[Adapter], address: IpAddress | None) -> Adapter | None:
    return next((adapter for adapter in adapters if adapter.address == address), None)


def _several(hosts: Sequence[IpAddress]) -> str:
    """Up to three hosts by name, the rest as a number."""
    named = ", ".join(str(host) for host in hosts[:3])
    return named if len(hosts) <= 3 else f"{named} and {len(hosts) - 3} more"
