"""What a capture holds, counted: the figures that the wire takes from a file and the judge looks at.

Times are whole nanoseconds of the capture's own clock since 1970 (wall time of the computer that captured);
lengths of time are whole nanoseconds. All is plain data that can be handed from one process to another.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Ending(StrEnum):
    """How the file ended."""

    WHOLE = "whole"
    CUT_SHORT = "cut short"  # in the middle of a record: the capture was interrupted, or the copy is partial
    DAMAGED = "damaged"  # bytes that cannot be a record; what stands before them was read
    STOPPED = "stopped"  # the reader was told to stop


class ReplyTimes(NamedTuple):
    """Times from the last byte of a request to the last byte of its answer.

    share: half the width of the columns that the percentiles were counted in, as a share of the value;
    0 where every time was kept. Percentiles are nearest ranks, the median is the mean of the two middle ones.
    """

    replies: int
    least_ns: int
    median_ns: int
    p95_ns: int
    p99_ns: int
    most_ns: int
    share: float


class Poll(NamedTuple):
    """The same question asked again and again by one master. jitter_ns: deviation of the interval."""

    function: int
    start: int
    quantity: int
    intervals: int
    mean_ns: int
    least_ns: int
    most_ns: int
    jitter_ns: int


class DeviceTraffic(NamedTuple):
    """One Modbus unit at one server.

    repeated: answers that came once more. reused: requests that took the transaction id of one that was still
    open. in_flight: most requests open at one time, of those not older than 17 s. polls: the questions asked
    most, the most frequent first.
    """

    server: str
    port: int
    unit: int
    requests: int
    responses: int
    matched: int
    exceptions: int
    exception_codes: tuple[tuple[int, int], ...]
    repeated: int
    reused: int
    in_flight: int
    first_ns: int
    last_ns: int
    reply: ReplyTimes | None
    polls: tuple[Poll, ...]

    @property
    def unanswered(self) -> int:
        """Requests without an answer in the capture."""
        return self.requests - self.matched

    @property
    def name(self) -> str:
        """``10.0.0.5:502 unit 3``."""
        host = f"[{self.server}]" if ":" in self.server else self.server
        return f"{host}:{self.port} unit {self.unit}"


class WriteSeen(NamedTuple):
    """Writes of one function by one client to one unit. low, high: addresses written; -1 where not told."""

    client: str
    server: str
    port: int
    unit: int
    function: int
    attempts: int
    done: int
    refused: int
    first_ns: int
    last_ns: int
    low: int
    high: int


class Claim(NamedTuple):
    """A hardware address that used an IP address: in ARP, and as source of IP frames."""

    hardware: str
    arp: int
    ip: int
    first_ns: int
    last_ns: int


class AddressConflict(NamedTuple):
    """An IP address that more than one hardware address used."""

    address: str
    claims: tuple[Claim, ...]

    @property
    def by_arp(self) -> bool:
        """True where at least two of them said so themselves; routers forward frames of many addresses."""
        return sum(claim.arp > 0 for claim in self.claims) > 1


class Talker(NamedTuple):
    """A sender. address: IP, or hardware address of one that sends no IP."""

    address: str
    hardware: str
    frames: int
    bytes: int


class ProtocolSeen(NamedTuple):
    """A protocol by its number. layer: EtherType, LLC, IP, TCP, UDP or link. name: "" for an unknown one."""

    layer: str
    number: int
    name: str
    frames: int
    bytes: int


class NeighbourSeen(NamedTuple):
    """A station that told who it is. protocol: LLDP, DCP or CDP; what was not told is empty."""

    protocol: str
    hardware: str
    chassis: str
    port: str
    name: str
    description: str
    addresses: tuple[str, ...]
    frames: int
    first_ns: int
    last_ns: int


class TopologyChange(NamedTuple):
    """A spell in which a switch told that the tree or ring had changed."""

    protocol: str
    bridge: str
    port: str
    frames: int
    first_ns: int
    last_ns: int


class Moment(NamedTuple):
    """Load and reply times of one bin of time. bytes: as the wire is occupied, with preamble and gap."""

    at_ns: int
    packets: int
    bytes: int
    group: int
    replies: int
    least_ns: int
    mean_ns: int
    p95_ns: int
    most_ns: int


class OpenEnd(NamedTuple):
    """A request without an answer, or an answer without a request: its frame and instant."""

    frame: int
    at_ns: int
    server: str
    port: int
    unit: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFigures:
    """All that was counted in one capture.

    totals: counts by name (``probe.wire.capture.layout.TOTALS`` explains them). moments: bins of equal width,
    moment_ns wide. functions: requests by function code. unanswered, unasked: the last of them, with their
    frames. left_out: what was more than the tables hold, in words.
    """

    file: str
    size: int
    ending: Ending
    damaged_at: int
    format: str
    totals: Mapping[str, int]
    reply: ReplyTimes | None
    devices: tuple[DeviceTraffic, ...]
    writes: tuple[WriteSeen, ...]
    functions: tuple[tuple[int, int], ...]
    talkers: tuple[Talker, ...]
    conflicts: tuple[AddressConflict, ...]
    protocols: tuple[ProtocolSeen, ...]
    vlans: tuple[tuple[int, int], ...]
    neighbours: tuple[NeighbourSeen, ...]
    topology: tuple[TopologyChange, ...]
    spanning: Mapping[str, int]
    moments: tuple[Moment, ...]
    moment_ns: int
    unanswered: tuple[OpenEnd, ...]
    unasked: tuple[OpenEnd, ...]
    left_out: tuple[str, ...]

    @property
    def packets(self) -> int:
        """Frames in the file."""
        return self.totals["packets"]

    @property
    def span_ns(self) -> int:
        """From the earliest to the latest frame."""
        return self.totals["high_ns"] - self.totals["low_ns"]
