"""What a frame is: its addresses, the word of its protocol, what was decoded, and how much of it may be kept.

``kept``: frames that speak of the network alone are kept whole; of all others only what stands before
somebody's words, so that neither passwords nor process values of others come into a record.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from probe.model.frames import announcement, arp, dcp, internet, lldp, secrets_seen, stp
from probe.model.frames.announcement import (
    DHCP_CLIENT_PORT,
    DHCP_SERVER_PORT,
    NTP_PORT,
    PTP_PORTS,
    DhcpAnswer,
    NtpBroadcast,
    PtpAnnounce,
    RouterAdvertisement,
)
from probe.model.frames.arp import Arp
from probe.model.frames.dcp import Dcp
from probe.model.frames.ethernet import ARP, IPV4, IPV6, LLDP, PROFINET, PTP, Ethernet, FrameError, decode
from probe.model.frames.internet import ICMP, ICMPV6, TCP, UDP, Packet
from probe.model.frames.lldp import Lldp
from probe.model.frames.secrets_seen import Secret
from probe.model.frames.stp import Bpdu

Content = Arp | Lldp | Bpdu | Dcp | RouterAdvertisement | NtpBroadcast | PtpAnnounce | DhcpAnswer | None

#: Protocols by their port, for the word that people see. Ports: IANA registry (from memory).
_BY_PORT = {
    20: "ftp", 21: "ftp", 22: "ssh", 23: "telnet", 53: "dns", 67: "dhcp", 68: "dhcp", 69: "tftp", 80: "http",
    102: "iso on tcp", 123: "ntp", 161: "snmp", 162: "snmp", 319: "ptp", 320: "ptp", 443: "https",
    502: "modbus", 514: "syslog", 802: "modbus secure", 2222: "ethernet/ip", 4840: "opc ua", 5353: "mdns",
    5355: "llmnr", 20000: "dnp3", 34962: "profinet", 34963: "profinet", 34964: "profinet",
    44818: "ethernet/ip", 47808: "bacnet",
}  # fmt: skip
#: EtherTypes beside those that are decoded (IEEE registry, from memory).
_BY_TYPE = {
    0x88B8: "goose", 0x88BA: "sampled values", 0x88F7: "ptp", 0x88FB: "prp supervision", 0x892F: "hsr",
    0x88E3: "mrp", 0x88A4: "ethercat", 0x88AB: "powerlink", 0x888E: "802.1x", 0x8809: "slow protocols",
    0x9000: "loop test",
}  # fmt: skip
_BY_NUMBER = {ICMP: "icmp", TCP: "tcp", UDP: "udp", ICMPV6: "icmpv6", 2: "igmp", 112: "vrrp"}


class Seen(NamedTuple):
    """One frame, as far as it could be read.

    protocol: its word. content: what was decoded, None for what is none of ours. trouble: why it could not be
    read though it claims to be one of ours. source_ip, destination_ip: empty where there are none.
    keep: octets of the frame that may be kept.
    """

    ethernet: Ethernet
    protocol: str
    content: Content
    keep: int
    trouble: str = ""
    source_ip: str = ""
    destination_ip: str = ""
    secret: Secret | None = None


def read(data: bytes) -> Seen:
    """The frame read as far as it goes. Raises FrameError if it is not even a frame."""
    frame = decode(data)
    head = len(data) - len(frame.payload) if frame.ethertype else _head_of(frame)
    if frame.ethertype in (IPV4, IPV6):
        return _internet(frame, head)
    if not frame.ethertype and frame.payload[:2] != b"\x42\x42":
        return Seen(frame, "llc", None, head + 3)
    reader = _READERS.get(frame.ethertype)
    if reader is None:
        word = _BY_TYPE.get(frame.ethertype, f"ethertype {frame.ethertype:04x}")
        return Seen(frame, word, None, head)
    word, work = reader
    try:
        return Seen(frame, word, work(frame.payload), len(data))
    except FrameError as error:
        return _unread(frame, word, error, head)


def _head_of(frame: Ethernet) -> int:
    """Octets before the payload of a frame with a length, which may have padding behind it."""
    return 14 + 4 * len(frame.vlans)


def _unread(frame: Ethernet, word: str, error: FrameError, head: int) -> Seen:
    """A frame that is not what its type lets expect: other traffic of PROFINET and PTP, or malformed."""
    if frame.ethertype == PROFINET and "no DCP" in str(error):
        return Seen(frame, "profinet data", None, head + 2)
    if frame.ethertype == PTP:
        return Seen(frame, word, None, head + 44)
    return Seen(frame, word, None, head + 64, trouble=str(error))


_READERS: dict[int, tuple[str, Callable[[bytes], Content]]] = {
    0: ("stp", stp.decode),
    ARP: ("arp", arp.decode),
    LLDP: ("lldp", lldp.decode),
    PROFINET: ("profinet dcp", dcp.decode),
    PTP: ("ptp", announcement.ptp),
}


def _internet(frame: Ethernet, head: int) -> Seen:
    """A frame with an IP packet. Only announcements are kept whole."""
    family = "ipv4" if frame.ethertype == IPV4 else "ipv6"
    try:
        packet = (internet.decode_v4 if family == "ipv4" else internet.decode_v6)(frame.payload)
    except FrameError as error:
        return Seen(frame, family, None, head + (20 if family == "ipv4" else 40), trouble=str(error))
    seen = Seen(
        frame,
        _BY_NUMBER.get(packet.protocol, f"{family} protocol {packet.protocol}"),
        None,
        head + packet.header + (0 if packet.fragment else 8),
        source_ip=packet.source,
        destination_ip=packet.destination,
    )
    if packet.protocol == ICMPV6:
        return _tried(seen, announcement.router, packet.payload, head + packet.header + len(packet.payload))
    if packet.protocol in (TCP, UDP) and not packet.fragment:
        return _transport(seen, packet, head)
    return seen


def _transport(seen: Seen, packet: Packet, head: int) -> Seen:
    """A UDP or TCP packet: its word by port, its secret, and what servers announce by UDP."""
    try:
        ports = internet.ports(packet)
    except FrameError as error:
        return seen._replace(trouble=str(error))
    word = _BY_PORT.get(ports.destination) or _BY_PORT.get(ports.source)
    over = "tcp" if packet.protocol == TCP else "udp"
    seen = seen._replace(protocol=word or over, keep=head + packet.header + ports.header)
    whole = seen.keep + len(ports.payload)
    if packet.protocol == TCP:
        return seen._replace(secret=secrets_seen.in_tcp(ports.source, ports.destination, ports.payload))
    if ports.source == NTP_PORT:
        return _tried(seen, announcement.ntp, ports.payload, whole)
    if ports.destination in PTP_PORTS:
        return _tried(seen, announcement.ptp, ports.payload, whole)
    if (ports.source, ports.destination) == (DHCP_SERVER_PORT, DHCP_CLIENT_PORT):
        return _tried(seen, announcement.dhcp, ports.payload, whole)
    return seen._replace(secret=secrets_seen.in_udp(ports.source, ports.destination, ports.payload))


def _tried(seen: Seen, work: Callable[[bytes], Content], payload: bytes, whole: int) -> Seen:
    """The frame with its announcement, kept whole; as it was where it is other traffic."""
    try:
        return seen._replace(content=work(payload), keep=whole)
    except FrameError:
        return seen
