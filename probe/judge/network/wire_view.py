"""What a survey saw on the wire, read again from the raw bytes in the record, with their numbers.

Made once for a run (``view_of``) and shared by the checks. Nothing is judged here.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator
from functools import cached_property
from typing import Any, NamedTuple, TypeVar

from probe.judge.lineup_context import LineupContext
from probe.model.device_map import DeviceMap, Network
from probe.model.evidence import Connect, ConnectOutcome, Echo, Evidence, Exchange, Neighbour
from probe.model.frames.announcement import DhcpAnswer, NtpBroadcast, PtpAnnounce, RouterAdvertisement
from probe.model.frames.arp import Arp
from probe.model.frames.dcp import Dcp
from probe.model.frames.ethernet import NOBODY, FrameError, is_group, is_virtual_router
from probe.model.frames.lldp import Lldp
from probe.model.frames.seen import Seen, read
from probe.model.frames.stp import Bpdu
from probe.model.network_evidence import (
    ForwardingEntry,
    Frame,
    Listening,
    OwnInterface,
    Route,
    SecretSeen,
    ServiceProbe,
    Sweep,
    Talk,
)

T = TypeVar("T")
IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address

_KEY = "network.wire_view"
#: So many owners of one address are told; in a storm of invented senders there are thousands.
MOST_OWNERS = 16


class Heard(NamedTuple):
    """One frame heard: its number in the record, when, and what it is."""

    number: int
    at_ns: int
    seen: Seen

    @property
    def source(self) -> str:
        """Hardware address of the sender."""
        return self.seen.ethernet.source


class WireView:
    """All network evidence of a run, sorted; see the properties."""

    def __init__(self, lineup_map: DeviceMap, evidence: Iterable[tuple[int, Evidence]]) -> None:
        self.map = lineup_map
        self._evidence = tuple(evidence)
        self._by_kind: dict[type, list[tuple[int, Any]]] = {}
        for number, one in self._evidence:
            self._by_kind.setdefault(type(one), []).append((number, one))

    def of(self, kind: type[T]) -> list[tuple[int, T]]:
        """All evidence of one kind, with its numbers."""
        return self._by_kind.get(kind, [])

    # this computer -----------------------------------------------------------------------------------

    @cached_property
    def interfaces(self) -> list[tuple[int, OwnInterface]]:
        """This computer's own interfaces."""
        return self.of(OwnInterface)

    @cached_property
    def routes(self) -> list[tuple[int, Route]]:
        """This computer's own routes."""
        return self.of(Route)

    @cached_property
    def chosen(self) -> list[tuple[int, OwnInterface]]:
        """The interface that the survey used, one entry an address."""
        return [(number, one) for number, one in self.interfaces if one.chosen]

    @cached_property
    def own_addresses(self) -> frozenset[str]:
        """This computer's own IP addresses."""
        return frozenset(one.address.partition("/")[0] for _, one in self.interfaces if one.address)

    @cached_property
    def own_hardware(self) -> frozenset[str]:
        """This computer's own hardware addresses."""
        return frozenset(one.hardware_address for _, one in self.interfaces) - {"", NOBODY}

    @property
    def is_loopback(self) -> bool:
        """True if all devices of the map answer at loopback addresses, as simulated ones do."""
        hosts = [device.address.host for device in self.map.devices if device.address.host]
        return bool(hosts) and all(host.startswith("127.") or host == "::1" for host in hosts)

    # frames --------------------------------------------------------------------------------------------

    @cached_property
    def heard(self) -> tuple[Heard, ...]:
        """Every kept frame that others sent, decoded; what is no frame is left out."""
        return tuple(self._decoded())

    def _decoded(self) -> Iterator[Heard]:
        for number, frame in self.of(Frame):
            if frame.sent:
                continue
            try:
                yield Heard(number, frame.at_ns, read(frame.data))
            except FrameError:
                continue

    def contents(self, kind: type[T]) -> list[tuple[Heard, T]]:
        """Frames with a content of one kind."""
        return [(one, one.seen.content) for one in self.heard if isinstance(one.seen.content, kind)]

    @cached_property
    def arps(self) -> list[tuple[Heard, Arp]]:
        """ARP packets."""
        return self.contents(Arp)

    @cached_property
    def neighbours(self) -> list[tuple[Heard, Lldp]]:
        """What neighbours say of themselves by LLDP; the last word of each."""
        return list({one.source: (one, said) for one, said in self.contents(Lldp)}.values())

    @cached_property
    def bpdus(self) -> list[tuple[Heard, Bpdu]]:
        """Spanning tree messages."""
        return self.contents(Bpdu)

    @cached_property
    def stations(self) -> list[tuple[Heard, Dcp]]:
        """What PROFINET stations say of themselves; the last word of each."""
        told = [
            (one, said) for one, said in self.contents(Dcp) if said.kind in ("hello", "identify response")
        ]
        return list({one.source: (one, said) for one, said in told}.values())

    @cached_property
    def routers(self) -> list[tuple[Heard, RouterAdvertisement | DhcpAnswer]]:
        """IPv6 routers and DHCP servers that offered themselves."""
        return [*self.contents(RouterAdvertisement), *self.contents(DhcpAnswer)]

    @cached_property
    def times(self) -> list[tuple[Heard, NtpBroadcast | PtpAnnounce]]:
        """Clocks that offered themselves to everybody."""
        return [*self.contents(NtpBroadcast), *self.contents(PtpAnnounce)]

    # counts ------------------------------------------------------------------------------------------

    @cached_property
    def listenings(self) -> list[tuple[int, Listening]]:
        """Stretches of listening."""
        return self.of(Listening)

    @property
    def could_hear(self) -> bool:
        """True if frames were heard at all."""
        return any(one.means != "none" for _, one in self.listenings)

    @property
    def why_deaf(self) -> str:
        """Why no frames were heard, for verdicts that could not be given."""
        whys = [one.why for _, one in self.listenings if one.means == "none" and one.why]
        return f"no frames were heard: {whys[0]}" if whys else "the run ended before anything was heard"

    @cached_property
    def talks(self) -> list[tuple[int, Talk]]:
        """Who talked to whom."""
        return self.of(Talk)

    @cached_property
    def secrets(self) -> list[tuple[int, SecretSeen]]:
        """Secrets that passed in the clear."""
        return self.of(SecretSeen)

    @cached_property
    def services(self) -> list[tuple[int, ServiceProbe]]:
        """Services that were asked for."""
        return self.of(ServiceProbe)

    @cached_property
    def forwarding(self) -> list[tuple[int, ForwardingEntry]]:
        """Lines of switches' forwarding tables."""
        return self.of(ForwardingEntry)

    # who has which address ---------------------------------------------------------------------------

    @cached_property
    def owners(self) -> dict[str, dict[str, list[int]]]:
        """Hardware addresses by IPv4 address that they claim, with the numbers that show it.

        Claims are ARP senders, PROFINET stations and the system's own table; addresses that redundant routers
        share on purpose are left out, and so is this computer.
        """
        found: dict[str, dict[str, list[int]]] = {}
        for address, hardware, number in self._claims():
            if hardware in self.own_hardware or is_virtual_router(hardware) or is_group(hardware):
                continue
            owners = found.setdefault(address, {})
            if hardware in owners or len(owners) < MOST_OWNERS:
                owners.setdefault(hardware, []).append(number)
        return found

    def _claims(self) -> Iterator[tuple[str, str, int]]:
        for one, packet in self.arps:
            if packet.claims and packet.sender_hardware != NOBODY:
                yield packet.claims, packet.sender_hardware, one.number
        for one, station in self.stations:
            if station.address not in ("", "0.0.0.0"):
                yield station.address, one.source, one.number
        for number, entry in self.of(Neighbour):
            if entry.hardware_address:
                yield entry.host, entry.hardware_address, number

    @cached_property
    def exchanges_of(self) -> dict[str, list[tuple[int, Exchange]]]:
        """Modbus exchanges by the tag, or what stands in its place."""
        found: dict[str, list[tuple[int, Exchange]]] = {}
        for number, one in self.of(Exchange):
            found.setdefault(one.tag, []).append((number, one))
        return found

    @cached_property
    def open_modbus(self) -> frozenset[str]:
        """``address:port`` of every connection that was taken."""
        return frozenset(c.host for _, c in self.of(Connect) if c.outcome is ConnectOutcome.OPEN)

    @cached_property
    def addresses_of(self) -> dict[str, dict[str, list[int]]]:
        """IPv4 addresses by hardware address, with the numbers that show it."""
        found: dict[str, dict[str, list[int]]] = {}
        for address, owners in self.owners.items():
            for hardware, numbers in owners.items():
                found.setdefault(hardware, {})[address] = numbers
        return found

    @cached_property
    def signs_of_life(self) -> dict[str, list[int]]:
        """IPv4 addresses that answered anything at all, with the numbers that show it."""
        found = {
            address: [n for ns in owners.values() for n in ns] for address, owners in self.owners.items()
        }
        for number, address in self._answers():
            found.setdefault(address, []).append(number)
        return found

    def _answers(self) -> Iterator[tuple[int, str]]:
        for number, one in self._evidence:
            if isinstance(one, Echo) and one.answered:
                yield number, one.host
            elif isinstance(one, Connect) and one.outcome in (ConnectOutcome.OPEN, ConnectOutcome.REFUSED):
                yield number, one.host.rpartition(":")[0]
            elif isinstance(one, Exchange) and one.response and one.tag in self.map.by_tag:
                yield number, self.map.target(one.tag).host
        for heard in self.heard:
            if heard.seen.source_ip:
                yield heard.number, heard.seen.source_ip

    @cached_property
    def sweeps(self) -> list[tuple[int, Sweep]]:
        """Ranges that were asked."""
        return self.of(Sweep)

    def was_asked(self, address: str) -> list[int]:
        """Numbers of the sweeps that asked for an address; empty if none did."""
        wanted = int(ipaddress.ip_address(address))
        return [
            number
            for number, sweep in self.sweeps
            if sweep.first and 0 <= wanted - int(ipaddress.ip_address(sweep.first)) < sweep.asked
        ]

    # the map -----------------------------------------------------------------------------------------

    @cached_property
    def tags(self) -> dict[str, list[str]]:
        """Tags by IPv4 address of their own; several for units behind one address."""
        found: dict[str, list[str]] = {}
        for device in self.map.devices:
            if device.address.host and _ipv4(device.address.host):
                found.setdefault(device.address.host, []).append(device.tag)
        return found

    @cached_property
    def drawn_hardware(self) -> dict[str, str]:
        """Tag by hardware address of the map."""
        return {d.hardware_address: d.tag for d in self.map.devices if d.hardware_address}

    @cached_property
    def router_addresses(self) -> frozenset[str]:
        """Addresses of the map's routers."""
        return frozenset(str(network.router) for network in self.map.networks if network.router)

    def network_of(self, address: str) -> Network | None:
        """The map's network that holds an address."""
        one = ipaddress.ip_address(address)
        return next(
            (n for n in self.map.networks if one.version == n.subnet.version and one in n.subnet), None
        )

    def name(self, address: str) -> str:
        """A device by its tag, else its address."""
        tags = self.tags.get(address)
        return tags[0] if tags else address

    def name_of_hardware(self, hardware: str) -> str:
        """A hardware address with whatever else is known of who has it."""
        if hardware in self.drawn_hardware:
            return f"{self.drawn_hardware[hardware]} ({hardware})"
        addresses = [a for a in self.addresses_of.get(hardware, ()) if a in self.tags]
        if not addresses:
            return hardware
        tag = self.name(addresses[0])
        another = self.map.by_tag[tag].hardware_address or len(self.owners[addresses[0]]) > 1
        return f"{hardware} (at {tag}'s address)" if another else f"{tag} ({hardware})"


def _ipv4(text: str) -> bool:
    try:
        return ipaddress.ip_address(text).version == 4
    except ValueError:
        return False


def view_of(context: LineupContext) -> WireView:
    """The wire as this run saw it; made once."""
    view: WireView | None = context.memory.get(_KEY)
    if view is None:
        view = context.memory[_KEY] = WireView(context.map, context.run.network)
    return view
