"""SNTP packets: build a request, read an answer, say why it must not be trusted; no socket, no clock.

    | LI VN mode | stratum | poll | precision |            4 bytes
    | root delay (16.16 s) | root dispersion (16.16 s) | reference id |
    | reference time | origin time | receive time T2 | transmit time T3 |     64 bits each, 32.32 s

Times stay whole: NTP units of 2^-32 s, differences of them in nanoseconds. Differences are taken modulo
2^64, so that the change of era in 2036 is crossed as RFC 5905 does it.
Source: RFC 5905, 6, 7.3, 8.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

_PACKET = struct.Struct(">BBbbII4sQQQQ")
SIZE = 48
VERSION = 4
CLIENT, SERVER = 3, 4
UNIX_EPOCH_S = 2_208_988_800  # 1970-01-01 in seconds since 1900 (RFC 5905, figure 4)
DRIFT_PPM = 15  # PHI, frequency tolerance (RFC 5905, figure 6)
LARGEST_DISTANCE_NS = 1_000_000_000  # MAXDIST (RFC 5905, figure 6)
OLDEST_NS = 86_400 * 1_000_000_000  # since the server last heard its own source; common practice, no source

#: Reference ids of servers that show their own free-running clock (common practice, no source).
_OWN_CLOCK = (b"LOCL", bytes((127, 127, 1, 0)), bytes((127, 127, 1, 1)))


class Answer(NamedTuple):
    """The fields of an answer. Times in NTP units; precision as a power of two of a second."""

    leap: int
    version: int
    mode: int
    stratum: int
    precision: int
    root_delay_ns: int
    root_dispersion_ns: int
    reference_id: bytes
    reference_time: int
    origin: int
    receive: int
    transmit: int


class Offset(NamedTuple):
    """Bounds of (server's time - local time), and the round trip, in nanoseconds."""

    low_ns: int
    high_ns: int
    delay_ns: int


def request(nonce: int) -> bytes:
    """A client's packet. nonce: 64 bits in place of the transmit time; the server must give them back.

    A number that nobody can guess is a better proof than the time, and tells nothing about this computer.
    """
    return _PACKET.pack(VERSION << 3 | CLIENT, 0, 0, 0, 0, 0, bytes(4), 0, 0, 0, nonce)


def parse(data: bytes) -> Answer | None:
    """The fields of an answer, None if it is too short to be one; extension fields are passed over."""
    if len(data) < SIZE:
        return None
    first, stratum, _, precision, delay, dispersion, reference_id, *times = _PACKET.unpack(data[:SIZE])
    return Answer(
        first >> 6,
        first >> 3 & 7,
        first & 7,
        stratum,
        precision,
        delay * 1_000_000_000 >> 16,
        dispersion * 1_000_000_000 >> 16,
        reference_id,
        *times,
    )


def ntp_time(unix_ns: int) -> int:
    """A wall time in NTP units of its era."""
    return ((unix_ns << 32) // 1_000_000_000 + (UNIX_EPOCH_S << 32)) & (1 << 64) - 1


def difference_ns(later: int, earlier: int) -> int:
    """later - earlier in nanoseconds, right across an era as long as they lie within 68 years."""
    units = (later - earlier) & (1 << 64) - 1
    if units >> 63:
        units -= 1 << 64
    return units * 1_000_000_000 >> 32


def root_distance_ns(answer: Answer) -> int:
    """The server's greatest error by its own account (RFC 5905: root synchronization distance)."""
    return answer.root_delay_ns // 2 + answer.root_dispersion_ns


def why_unusable(answer: Answer, nonce: int) -> str:
    """Why the answer must not be trusted, "" if it may be.

    Source: RFC 5905, 7.3, 8, figures 9 (leap indicator), 11 (stratum), 13 (kiss codes).
    """
    if answer.mode != SERVER or not 1 <= answer.version <= VERSION:
        return f"not a server's answer (mode {answer.mode}, version {answer.version})"
    if answer.origin != nonce:
        return "it answers another request (origin time differs)"
    if answer.stratum == 0 and kiss_code(answer):
        return f"the server refuses (kiss code {kiss_code(answer)})"
    if answer.stratum == 0:
        return "the server is not synchronised (stratum 0: unspecified)"
    if answer.leap == 3:
        return "the server is not synchronised (leap indicator 3)"
    if answer.stratum >= 16:
        return f"the server is not synchronised (stratum {answer.stratum})"
    if answer.transmit == 0 or answer.receive == 0:
        return "the server gives no time (transmit or receive time is 0)"
    return _why_implausible(answer)


def _why_implausible(answer: Answer) -> str:
    distance_ns = root_distance_ns(answer)
    if distance_ns >= LARGEST_DISTANCE_NS:
        return f"the server may be off by {distance_ns / 1e9:.3f} s by its own account (root distance)"
    if difference_ns(answer.transmit, answer.receive) < 0:
        return "the server answered before it was asked (transmit before receive time)"
    age_ns = difference_ns(answer.transmit, answer.reference_time)
    if answer.reference_time and age_ns < 0:
        return "the server was set in its own future (reference after transmit time)"
    if answer.reference_time and age_ns > OLDEST_NS:
        return f"the server last heard its source {age_ns // 3_600_000_000_000} h ago"
    return ""


def caveat(answer: Answer) -> str:
    """What a person should know of an answer that may be used, "" if nothing."""
    if answer.reference_id in _OWN_CLOCK and answer.stratum > 1:
        return "the server shows its own clock, which follows no source of true time"
    return ""


def kiss_code(answer: Answer) -> str:
    """The letters with which a server of stratum 0 refuses (DENY, RSTR, RATE, ...), "" if it has none."""
    letters = answer.reference_id
    return letters.decode() if letters.isascii() and letters.isalnum() else ""


def offset(answer: Answer, sent_ns: int, received_ns: int) -> Offset:
    """Bounds of (server's time - local time) from one exchange.

    sent_ns, received_ns: local wall time (Unix) at sending (T1) and receiving (T4), on one unstepped scale.
    The true offset lies within half the round trip of the middle, whatever the path; to that come the
    server's root distance, its precision, and what both clocks may drift in between.
    Source: RFC 5905, 8 (offset, delay, dispersion; root synchronization distance).
    """
    outward = difference_ns(answer.receive, ntp_time(sent_ns))
    back = difference_ns(answer.transmit, ntp_time(received_ns))
    middle = (outward + back) // 2
    step = precision_ns(answer.precision)
    delay = max((received_ns - sent_ns) - difference_ns(answer.transmit, answer.receive), step)
    drift = (received_ns - sent_ns) * DRIFT_PPM // 1_000_000 + 1
    reach = (delay + 1) // 2 + root_distance_ns(answer) + step + drift
    return Offset(middle - reach, middle + reach, delay)


def precision_ns(power: int) -> int:
    """The step of a clock in nanoseconds, at least 1, from its power of two of a second."""
    return max(1, int(2.0 ** max(-62, min(power, 16)) * 1e9))
