"""Filters: which frames they keep, and what they say of words that they do not know."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from probe.model.errors import InputError
from probe.practice.packets import Connection, Packet, arp, ethernet, ip4, modbus, pcap
from probe.wire.capture.filtering import parse_filter

ME, OTHER, ALL = "02:00:5e:10:00:01", "02:00:5e:10:00:02", "ff:ff:ff:ff:ff:ff"
UDP = (b"\x00\xa1\xc0\x00\x00\x08\x00\x00", "192.0.2.10", "192.0.2.1")
FRAMES = {
    "modbus": Connection().say(modbus(1, 1, bytes((3, 0, 0, 0, 1))), by_server=False),
    "tagged": Connection(vlans=(7,)).say(b"x", by_server=True),
    "arp": ethernet(ME, ALL, 0x0806, arp(1, (ME, "192.0.2.10"), (ALL, "192.0.2.99"))),
    "udp": ethernet(ME, OTHER, 0x0800, ip4(UDP[1], UDP[2], 17, UDP[0])),
    "icmp": ethernet(ME, OTHER, 0x0800, ip4("192.0.2.10", "198.51.100.7", 1, bytes(8))),
    "lldp": ethernet(ME, "01:80:c2:00:00:0e", 0x88CC, bytes(2)),
    "stp": ethernet(ME, "01:80:c2:00:00:00", 38, b"\x42\x42\x03" + bytes(35)),
    "ip6": ethernet(
        ME, OTHER, 0x86DD, b"\x60" + bytes(5) + b"\x11\x40" + bytes(15) + b"\1" + bytes(15) + b"\2" + bytes(8)
    ),
    "short": b"\x01\x02",
}
CASES = {
    "modbus": {"modbus", "tagged"},
    "tcp": {"modbus", "tagged"},
    "not tcp": set(FRAMES) - {"modbus", "tagged"},
    "host 192.0.2.20": {"modbus", "tagged"},
    "host 192.0.2.99": {"arp"},
    "net 198.51.100.0/24": {"icmp"},
    "net 192.0.2.0/24 and not arp": {"modbus", "tagged", "udp", "icmp"},
    "port 502 or port 161": {"modbus", "tagged", "udp"},
    "udp and port 161": {"udp"},
    "icmp": {"icmp"},
    "arp or lldp or stp": {"arp", "lldp", "stp"},
    "vlan": {"tagged"},
    "vlan 7": {"tagged"},
    "vlan 8": set(),
    "ip6": {"ip6"},
    "host ::1 or host ::3": {"ip6"},
    "ether 02-00-5E-10-00-02 and (udp or icmp)": {"udp", "icmp", "ip6"},
    "broadcast": {"arp"},
    "multicast": {"arp", "lldp", "stp"},
    "NOT (tcp OR udp) AND ip": {"icmp"},
    "profinet": set(),
}


@pytest.mark.parametrize("text", CASES)
def test_which_frames_are_kept(text: str) -> None:
    test = parse_filter(text)
    assert test is not None
    assert {name for name, frame in FRAMES.items() if test(frame, 1)} == CASES[text]


def test_no_words_keep_everything() -> None:
    assert parse_filter("  ") is None


def test_raw_ip_links() -> None:
    test = parse_filter("host 192.0.2.20 and port 502")
    assert test is not None
    assert test(FRAMES["modbus"][14:], 101)
    assert not test(b"", 101)


@pytest.mark.parametrize(
    ("text", "column", "what", "found"),
    [
        ("hots 192.0.2.1", 1, "no such word", "hots"),
        ("host somewhere", 6, "no IP address", "somewhere"),
        ("net 192.0.2.0/99", 5, "no network", "192.0.2.0/99"),
        ("port 70000", 6, "not a port", "70000"),
        ("port", 5, "ends too early", "(end)"),
        ("tcp udp", 5, "does not belong", "udp"),
        ("(tcp or udp", 12, "bracket", "(end)"),
        ("ether 02:00", 7, "no hardware address", "02:00"),
        ("vlan 5000", 6, "not a VLAN", "5000"),
        ("(" * 40, 0, "nested", ""),
    ],
)
def test_what_is_wrong_is_told_with_its_place(text: str, column: int, what: str, found: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_filter(text)
    (problem,) = caught.value.problems
    assert what in problem.what
    assert problem.allowed
    assert not column or problem.column == column
    assert not found or problem.found == found


#: The same question in the words of tcpdump, an independent filter. Its ``vlan`` moves what follows it.
THEIRS = {
    "tcp": "tcp or (vlan and tcp)",
    "host 192.0.2.99": "host 192.0.2.99",
    "net 198.51.100.0/24": "net 198.51.100.0/24",
    "udp and port 161": "udp port 161",
    "icmp": "icmp",
    "vlan 7": "vlan 7",
    "ip6": "ip6",
    "broadcast": "ether broadcast",
    "multicast": "ether multicast",
}


@pytest.mark.skipif(shutil.which("tcpdump") is None, reason="tcpdump is not installed")
@pytest.mark.parametrize("text", THEIRS)
def test_against_an_independent_filter(text: str, tmp_path: Path) -> None:
    path = tmp_path / "frames.pcap"
    path.write_bytes(pcap([Packet(10**18, frame) for frame in FRAMES.values() if len(frame) > 2]))
    out = subprocess.run(
        ["tcpdump", "-n", "-r", str(path), THEIRS[text]],
        capture_output=True,
        text=True,
        check=True,
        timeout=30,
    ).stdout
    assert len(out.splitlines()) == len(CASES[text])
