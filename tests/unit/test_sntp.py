"""SNTP packets: arithmetic against worked numbers, and a reason for every answer that must not be trusted.

Rules: RFC 5905, 7.3, 8, figures 4, 6, 9, 11, 13. The worked offsets are computed from its formulas.
"""

from __future__ import annotations

import struct

import pytest

from probe.wire import sntp

NONCE = 0x0123_4567_89AB_CDEF
NOW_NS = 1_790_000_000_000_000_000
SECOND = 1_000_000_000


def answer(**fields) -> bytes:
    """A server's packet, packed here apart from the codec under test. Times in Unix nanoseconds."""
    times = {"reference": NOW_NS - 60 * SECOND, "receive": NOW_NS, "transmit": NOW_NS} | {
        k: v for k, v in fields.items() if k in ("reference", "receive", "transmit")
    }

    def ntp(unix_ns: int) -> int:
        seconds, rest = divmod(unix_ns, SECOND)
        return ((seconds + 2_208_988_800 & 0xFFFF_FFFF) << 32) | (rest << 32) // SECOND

    first = fields.get("leap", 0) << 6 | fields.get("version", 4) << 3 | fields.get("mode", 4)
    return struct.pack(
        ">BBbbII4sQQQQ",
        first,
        fields.get("stratum", 2),
        6,
        -20,
        fields.get("delay", 0),
        fields.get("dispersion", 0),
        fields.get("refid", b"\x0a\x00\x00\x01"),
        fields.get("raw_reference", ntp(times["reference"])),
        fields.get("origin", NONCE),
        fields.get("raw_receive", ntp(times["receive"])),
        fields.get("raw_transmit", ntp(times["transmit"])),
    )


def why(**fields) -> str:
    parsed = sntp.parse(answer(**fields))
    assert parsed is not None
    return sntp.why_unusable(parsed, NONCE)


REFUSED = [
    ({"leap": 3}, "leap indicator 3"),
    ({"stratum": 16}, "stratum 16"),
    ({"stratum": 200}, "stratum 200"),
    ({"stratum": 0, "refid": b"RATE"}, "kiss code RATE"),
    ({"stratum": 0, "refid": b"DENY"}, "kiss code DENY"),
    ({"stratum": 0, "refid": b"\x1b[3\x00"}, "stratum 0: unspecified"),
    ({"stratum": 0, "leap": 3, "refid": bytes(4)}, "stratum 0: unspecified"),
    ({"origin": 0}, "another request"),
    ({"origin": NONCE ^ 1}, "another request"),
    ({"raw_transmit": 0}, "gives no time"),
    ({"raw_receive": 0}, "gives no time"),
    ({"mode": 3}, "not a server's answer"),
    ({"mode": 5}, "not a server's answer"),
    ({"version": 0}, "not a server's answer"),
    ({"dispersion": 1 << 16}, "1.000 s by its own account"),
    ({"delay": 2 << 16}, "1.000 s by its own account"),
    ({"receive": NOW_NS + SECOND}, "before it was asked"),
    ({"reference": NOW_NS + 5 * SECOND}, "its own future"),
    ({"reference": NOW_NS - 25 * 3600 * SECOND}, "25 h ago"),
]


@pytest.mark.parametrize(("fields", "reason"), REFUSED, ids=[str(i) for i, _ in enumerate(REFUSED)])
def test_answers_that_must_not_be_trusted_say_why(fields, reason):
    assert reason in why(**fields)
    assert why() == ""


def test_leap_second_announced_and_stratum_1_to_15_are_usable():
    assert {why(leap=leap) for leap in (0, 1, 2)} == {""}
    assert {why(stratum=stratum) for stratum in range(1, 16)} == {""}


@pytest.mark.parametrize("refid", [b"LOCL", bytes((127, 127, 1, 0)), bytes((127, 127, 1, 1))])
def test_a_server_that_shows_its_own_clock_is_marked(refid):
    parsed = sntp.parse(answer(refid=refid))
    assert parsed is not None
    assert "its own clock" in sntp.caveat(parsed)
    other = sntp.parse(answer())
    assert other is not None
    assert sntp.caveat(other) == ""


CASES = [  # T1, T2, T3, T4 in ms; offset and delay in ms
    (100_000.0, 100_080.0, 100_081.0, 100_021.0, 70.0, 20.0),
    (0.0, -36_994.5, -36_994.4, 1.1, -36_995.0, 1.0),  # a server that gives TAI for UTC
    (10_000.0, 10_500.0, 10_500.0, 10_010.0, 495.0, 10.0),  # all delay on one way
]


@pytest.mark.parametrize(("t1", "t2", "t3", "t4", "offset_ms", "delay_ms"), CASES)
def test_offset_and_delay_of_worked_exchanges(t1, t2, t3, t4, offset_ms, delay_ms):
    ns = [NOW_NS + round(t * 1e6) for t in (t1, t2, t3, t4)]
    parsed = sntp.parse(answer(receive=ns[1], transmit=ns[2]))
    assert parsed is not None
    found = sntp.offset(parsed, ns[0], ns[3])
    assert (found.low_ns + found.high_ns) / 2e6 == pytest.approx(offset_ms, abs=1e-5)
    assert found.delay_ns / 1e6 == pytest.approx(delay_ms, abs=1e-5)
    half_ns = (found.high_ns - found.low_ns) / 2
    assert half_ns >= found.delay_ns / 2
    assert half_ns == pytest.approx(found.delay_ns / 2 + (ns[3] - ns[0]) * 15e-6 + 2**-20 * 1e9, abs=5)


def test_bounds_hold_the_truth_however_the_delay_is_split():
    """A server 250 ms ahead, a round trip of 40 ms split in every way: the truth is never outside."""
    for outward_ms in range(41):
        arrived = NOW_NS + (250 + outward_ms) * 1_000_000
        parsed = sntp.parse(answer(receive=arrived, transmit=arrived))
        assert parsed is not None
        found = sntp.offset(parsed, NOW_NS, NOW_NS + 40_000_000)
        assert found.low_ns <= 250_000_000 <= found.high_ns


def test_root_distance_widens_the_bounds():
    near, far = (sntp.parse(answer(dispersion=d)) for d in (0, 0x0CCD))
    assert near is not None
    assert far is not None
    narrow, wide = (sntp.offset(a, NOW_NS, NOW_NS) for a in (near, far))
    assert wide.high_ns - narrow.high_ns == pytest.approx(50_003_100, abs=100)  # 0x0CCD: 0.0500031 s


def test_the_era_is_crossed():
    """RFC 5905, figure 4: 2036-02-08 is 63,104 s into era 1; a server beyond the change, we before it."""
    before = 2_085_978_495 * SECOND  # 2036-02-07T06:28:15Z, the last second of era 0
    assert sntp.ntp_time(before) >> 32 == 0xFFFF_FFFF
    assert sntp.ntp_time(before + SECOND) == 0
    assert sntp.difference_ns(sntp.ntp_time(before + 3 * SECOND), sntp.ntp_time(before)) == 3 * SECOND
    assert sntp.difference_ns(sntp.ntp_time(before), sntp.ntp_time(before + 3 * SECOND)) == -3 * SECOND
    assert sntp.ntp_time((2_085_978_496 + 63_104) * SECOND) >> 32 == 63_104


def test_epochs():
    """RFC 5905, figure 4: the Unix and the UTC epochs in seconds of era 0."""
    assert sntp.ntp_time(0) >> 32 == 2_208_988_800
    assert sntp.ntp_time(63_072_000 * SECOND) >> 32 == 2_272_060_800  # 1972-01-01


def test_short_answers_are_none_and_long_ones_are_read():
    assert sntp.parse(answer()[:47]) is None
    assert sntp.parse(answer() + bytes(20)) == sntp.parse(answer())


def test_request_is_48_bytes_that_tell_nothing_but_the_nonce():
    packet = sntp.request(NONCE)
    assert packet == b"\x23" + bytes(39) + NONCE.to_bytes(8, "big")


@pytest.mark.parametrize("power", [-128, -32, -20, 0, 127])
def test_any_precision_is_borne(power):
    assert sntp.precision_ns(power) >= 1
