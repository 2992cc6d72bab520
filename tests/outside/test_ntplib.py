"""ntplib on the same packets as a second opinion, and RFC 5905's arithmetic in worked numbers.

ntplib 0.4.0 reads and computes; what must not be trusted (leap 3, stratum 16, another origin) it accepts, so
that it is no judge of that (trials of 2026). Worked numbers: offset and delay of RFC 5905, 8, by hand.
"""

from __future__ import annotations

import random
import struct

import ntplib
import pytest

from probe.wire import sntp
from probe.wire.reference import sample_of

S = 1_000_000_000
UNIX_S = 2_208_988_800
BASE_NS = 1_790_000_000 * S


def packet(
    t2_ns: int, t3_ns: int, nonce: int, *, delay: int = 0, dispersion: int = 0, first: int = 0x24
) -> bytes:
    """A server's answer, packed here: receive and transmit times as Unix nanoseconds."""

    def stamp(unix_ns: int) -> int:
        seconds, rest = divmod(unix_ns, S)
        return ((seconds + UNIX_S) % 2**32) << 32 | (rest << 32) // S

    reference = stamp(t2_ns - 10 * S)
    times = (reference, nonce, stamp(t2_ns), stamp(t3_ns))
    return struct.pack(">BBbbII4sQQQQ", first, 3, 6, -24, delay, dispersion, b"\xc0\0\2\1", *times)


#: T1, T2, T3, T4 in seconds, offset, delay (RFC 5905, 8).
WORKED = [
    ("server 70 ms ahead", (100.000, 100.080, 100.081, 100.021), 0.070, 0.020),
    ("TAI shown as UTC", (0.0, -36.9945, -36.9944, 0.0011), -36.995, 0.001),
    ("slow on one way", (10.0, 10.5, 10.5, 10.01), 0.495, 0.010),
]


@pytest.mark.parametrize(
    ("times", "offset", "delay"), [row[1:] for row in WORKED], ids=[r[0] for r in WORKED]
)
def test_worked_offsets_and_delays(times, offset, delay):
    t1, t2, t3, t4 = (BASE_NS + round(t * S) for t in times)
    answer = sntp.parse(packet(t2, t3, 1))
    assert answer is not None
    bounds = sntp.offset(answer, t1, t4)
    assert (bounds.low_ns + bounds.high_ns) / 2 == pytest.approx(offset * S, abs=3)
    assert bounds.delay_ns == pytest.approx(delay * S, abs=3)
    assert bounds.low_ns <= (offset - delay / 2) * S
    assert bounds.high_ns >= (offset + delay / 2) * S


def test_ntplib_reads_the_same_fields_and_computes_the_same_offset():
    """1,000 packets; ntplib keeps times as doubles of seconds since 1900: good to half a microsecond."""
    rng = random.Random(9)
    for _ in range(1000):
        t1 = BASE_NS + rng.randrange(S * 86_400)
        t2 = t1 + rng.randrange(-50 * S, 50 * S)
        t3 = t2 + rng.randrange(1, 20_000_000)
        t4 = t1 + (t3 - t2) + rng.randrange(1, 200_000_000)
        root = rng.randrange(1 << 14), rng.randrange(1 << 14)
        data = packet(t2, t3, sntp.ntp_time(t1), delay=root[0], dispersion=root[1])
        theirs = ntplib.NTPStats()
        theirs.from_data(data)
        theirs.dest_timestamp = ntplib.system_to_ntp_time(t4 / S)
        ours = sntp.parse(data)
        assert ours is not None
        assert (ours.leap, ours.version, ours.mode, ours.stratum) == (0, 4, 4, 3)
        assert (ours.leap, ours.stratum, ours.precision) == (theirs.leap, theirs.stratum, theirs.precision)
        assert ours.root_delay_ns == pytest.approx(theirs.root_delay * S, abs=1)
        assert ours.root_dispersion_ns == pytest.approx(theirs.root_dispersion * S, abs=1)
        bounds = sntp.offset(ours, t1, t4)
        assert (bounds.low_ns + bounds.high_ns) / 2 == pytest.approx(theirs.offset * S, abs=2000)
        assert bounds.delay_ns == pytest.approx(theirs.delay * S, abs=2000)
        reach = theirs.delay / 2 + theirs.root_delay / 2 + theirs.root_dispersion
        assert (bounds.high_ns - bounds.low_ns) / 2 >= reach * S - 2000, "root distance is in the uncertainty"


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (packet(BASE_NS, BASE_NS, 7, first=0xE4), "leap indicator 3"),
        (packet(BASE_NS, BASE_NS, 8), "answers another request"),
        (packet(BASE_NS, BASE_NS, 7, dispersion=2 << 16), "root distance"),
    ],
    ids=["leap 3", "another origin", "far from its root"],
)
def test_what_ntplib_takes_for_a_time_and_we_do_not(data, why):
    theirs = ntplib.NTPStats()
    theirs.from_data(data)
    assert theirs.tx_time == pytest.approx(BASE_NS / S)
    sample = sample_of("ntp x", data, 7, 0, 1000, BASE_NS)
    assert not sample.usable
    assert why in sample.reason


def test_across_the_change_of_era():
    """2036-02-07T06:28:16Z is second 0 of era 1 (RFC 5905, figure 4); a server 3 s ahead across it."""
    era_ns = (2**32 - UNIX_S) * S
    t1 = era_ns - S
    answer = sntp.parse(packet(t1 + 3 * S, t1 + 3 * S, 1))
    assert answer is not None
    bounds = sntp.offset(answer, t1, t1 + 20_000_000)
    assert bounds.low_ns <= 2.99 * S <= bounds.high_ns
    assert bounds.high_ns - bounds.low_ns < 0.03 * S
