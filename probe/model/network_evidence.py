"""Evidence of the network: frames heard, who talks to whom, what was asked, this computer's interfaces.

As ``evidence``: raw, never judged; whole nanoseconds of the run's clock; integers, text and bytes only.
Frames are kept whole only where they cannot carry anybody's words (ARP, LLDP, spanning tree ...); of all
others nothing behind the addresses and ports is kept, so that no password comes into a record.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from probe.model.capture_evidence import CaptureFile
from probe.model.failover_evidence import Beat, LinkStep
from probe.model.snmp_evidence import SnmpAnswer


class OwnInterface(NamedTuple):
    """One address of one interface of this computer, as its system told it.

    address: with prefix length, empty for an interface without one. speed_mbps: 0 where the system does not
    say. duplex: "full", "half" or empty. sort: "wired", "wireless", "tunnel", "virtual", "bridge" or
    "loopback". chosen: the survey listens and speaks here.
    """

    at_ns: int
    name: str
    address: str
    hardware_address: str
    up: bool
    speed_mbps: int
    duplex: str
    sort: str
    chosen: bool


class Route(NamedTuple):
    """One route of this computer. destination: network with prefix length; router: empty if direct."""

    at_ns: int
    destination: str
    router: str
    interface: str
    metric: int


class Frame(NamedTuple):
    """One frame as it stood on the wire, without preamble and checksum.

    sent: by us. length: octets on the wire; data: what is kept of them (see module).
    """

    interface: str
    at_ns: int
    sent: bool
    length: int
    data: bytes


class Talk(NamedTuple):
    """Who talked to whom, counted over the listening: one pair of hardware addresses and one protocol.

    protocol: its word ("arp", "modbus", "ipv4 tcp", "ethertype 88b8" ...).
    """

    interface: str
    source: str
    destination: str
    protocol: str
    frames: int
    octets: int
    first_ns: int
    last_ns: int


class Listening(NamedTuple):
    """One stretch of listening on one interface. means: "raw socket", "capture library" or
    "none"; ``why`` says what was missing.

    frames, octets: all that came. dropped: frames that the system could not hand over; uncounted: frames of
    pairs beyond those that ``Talk`` holds. busiest: most frames to everybody (broadcast and multicast) in one
    second, busiest_arp: most ARP frames in one second.
    """

    interface: str
    started_ns: int
    finished_ns: int
    means: str
    why: str
    frames: int
    octets: int
    dropped: int
    uncounted: int
    busiest: int
    busiest_arp: int


class Sweep(NamedTuple):
    """A range of addresses that was asked, each once; who did not answer has no frame or table entry.

    means: "arp" (frames of ours), "system" (the system's own ARP, for want of rights) or "dcp".
    first, last: addresses; asked: how many of them were asked before the end.
    """

    interface: str
    means: str
    first: str
    last: str
    started_ns: int
    finished_ns: int
    asked: int


class SecretSeen(NamedTuple):
    """That somebody sent a password or community name in the clear; never the word itself.

    what: "community name", "password". default: it is one that every device of the kind is delivered with.
    """

    at_ns: int
    interface: str
    protocol: str
    source: str
    destination: str
    what: str
    default: bool


class ServiceOutcome(StrEnum):
    """What became of asking a host for a service."""

    OFFERED = "offered"
    REFUSED = "refused"
    NO_ANSWER = "no answer"
    FAILED = "failed"


class ServiceProbe(NamedTuple):
    """One service of the short list, asked of one host. said: beginning of what it said, empty if nothing."""

    host: str
    port: int
    service: str
    sent_ns: int
    received_ns: int
    outcome: ServiceOutcome
    said: bytes


class ForwardingEntry(NamedTuple):
    """One line of a switch's forwarding table: behind which port it has heard a hardware address.

    switch: tag of the switch, or its address. port: name as the switch has it. vlan: 0 if not told.
    learned: False for the switch's own addresses and for entries that somebody wrote.
    """

    switch: str
    at_ns: int
    hardware_address: str
    port: str
    vlan: int
    learned: bool


NetworkEvidence = (
    OwnInterface
    | Route
    | Frame
    | Talk
    | Listening
    | Sweep
    | SecretSeen
    | ServiceProbe
    | ForwardingEntry
    | SnmpAnswer
    | LinkStep
    | Beat
    | CaptureFile
)
