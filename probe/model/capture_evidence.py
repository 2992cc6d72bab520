"""Evidence of captures: a file of traffic that was recorded, known by its hash."""

from __future__ import annotations

from typing import NamedTuple


class CaptureFile(NamedTuple):
    """One capture file as it was closed; the record holds its hash, not its packets.

    file: name without folder. sha256: of its bytes, hexadecimal. packets: those in the file; dropped: those
    that came during this file and could not be kept, as the system counts them. filter: as typed, empty for
    none. ending: why the file was closed. wall_ns: time of its first packet (Unix nanoseconds of the system's
    clock, 0 without a packet); span_ns: from there to its last.
    """

    at_ns: int
    file: str
    sha256: str
    size: int
    packets: int
    dropped: int
    interface: str
    filter: str
    ending: str
    wall_ns: int
    span_ns: int
