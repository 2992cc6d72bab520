"""SNTP packets against scapy's NTP layer, an independent implementation (RFC 5905, 7.3)."""

from __future__ import annotations

import pytest

from probe.wire import sntp


def test_our_request_as_scapy_reads_it():
    from scapy.layers.ntp import NTPHeader

    packet = NTPHeader(sntp.request(0x0123_4567_89AB_CDEF))
    assert (packet.leap, packet.version, packet.mode, packet.stratum) == (0, 4, 3, 0)
    assert sntp.request(0x0123_4567_89AB_CDEF)[40:] == bytes.fromhex("0123456789ABCDEF")


def test_an_answer_as_scapy_builds_it():
    from scapy.layers.ntp import NTPHeader

    packet = NTPHeader(
        leap=1, version=4, mode=4, stratum=3, precision=-20, delay=0.25, dispersion=0.125, id="192.0.2.1",
        ref=3_990_000_000.0, orig=3_990_000_001.5, recv=3_990_000_002.25, sent=3_990_000_002.75,
    )  # fmt: skip
    answer = sntp.parse(bytes(packet))
    assert answer is not None
    assert (answer.leap, answer.version, answer.mode, answer.stratum, answer.precision) == (1, 4, 4, 3, -20)
    assert (answer.root_delay_ns, answer.root_dispersion_ns) == (250_000_000, 125_000_000)
    assert answer.reference_id == bytes((192, 0, 2, 1))
    assert answer.receive == 3_990_000_002 << 32 | 1 << 30
    assert sntp.difference_ns(answer.transmit, answer.receive) == pytest.approx(500_000_000, abs=300)
