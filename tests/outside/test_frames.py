"""Frames against scapy, an independent packet library: it builds, we read; we build, it reads.

Also the minimal LLDPDU as third-party texts quote IEEE 802.1AB, byte for byte.
"""

from __future__ import annotations

import struct
from typing import Any

import pytest

from probe.model.frames import arp as our_arp
from probe.model.frames import dcp as our_dcp
from probe.model.frames.announcement import DhcpAnswer, NtpBroadcast, PtpAnnounce, RouterAdvertisement
from probe.model.frames.arp import Arp
from probe.model.frames.dcp import Dcp
from probe.model.frames.ethernet import encode
from probe.model.frames.lldp import Lldp
from probe.model.frames.seen import Seen, read
from probe.model.frames.stp import Bpdu, Bridge, times_fit

MAC, OTHER = "00:00:5e:00:53:01", "00:00:5e:00:53:02"  # for documentation (RFC 7042, from memory)


def seen(packet: Any) -> Seen:
    return read(bytes(packet))


@pytest.fixture(scope="module")
def scapy() -> Any:
    import scapy.all as library

    return library


def test_arp_reads_what_scapy_builds(scapy: Any) -> None:
    fields = {"op": 2, "hwsrc": MAC, "psrc": "192.0.2.1", "hwdst": OTHER, "pdst": "192.0.2.9"}
    found = seen(scapy.Ether(src=MAC, dst=OTHER) / scapy.ARP(**fields))
    assert found.content == Arp(2, MAC, "192.0.2.1", OTHER, "192.0.2.9")
    assert (found.protocol, found.trouble) == ("arp", "")
    assert found.content.claims == "192.0.2.1"


def test_probe_and_announcement_are_told_apart(scapy: Any) -> None:
    """Source: RFC 5227, 1.1 (from memory): a probe has no sender, an announcement sender = target."""
    ask = scapy.Ether(src=MAC) / scapy.ARP(op=1, hwsrc=MAC, psrc="0.0.0.0", pdst="192.0.2.1")
    tell = scapy.Ether(src=MAC) / scapy.ARP(op=1, hwsrc=MAC, psrc="192.0.2.1", pdst="192.0.2.1")
    probe, announcement = seen(ask).content, seen(tell).content
    assert isinstance(probe, Arp)
    assert isinstance(announcement, Arp)
    assert (probe.is_probe, probe.is_announcement, probe.claims) == (True, False, "")
    assert (announcement.is_probe, announcement.is_announcement) == (False, True)


def test_scapy_reads_our_arp_request(scapy: Any) -> None:
    packet = scapy.Ether(our_arp.request(MAC, "192.0.2.9", "192.0.2.1"))
    assert (packet.dst, packet.src, packet.type) == ("ff:ff:ff:ff:ff:ff", MAC, 0x0806)
    inner = packet[scapy.ARP]
    assert (inner.op, inner.hwsrc, inner.psrc, inner.pdst) == (1, MAC, "192.0.2.9", "192.0.2.1")
    assert inner.hwdst == "00:00:00:00:00:00"
    assert len(packet) == 60  # least frame without checksum (IEEE 802.3, from memory)


def test_minimal_lldpdu_as_quoted() -> None:
    """Source: IEEE 802.1AB as a public packet library documents it: chassis MAC, port name, TTL 120, end."""
    quoted = "02 07 04 00 00 5E 00 53 01 04 09 05 70 6F 72 74 2D 30 30 31 06 02 00 78 00 00"
    data = bytes.fromhex(quoted.replace(" ", ""))
    found = read(encode("01:80:c2:00:00:0e", MAC, 0x88CC, data))
    assert found.content == Lldp(MAC, "port-001", 120, chassis_is_hardware=True)


def test_lldp_reads_what_scapy_builds(scapy: Any) -> None:
    from scapy.contrib import lldp

    parts = (
        lldp.LLDPDUChassisID(subtype=4, id=MAC)
        / lldp.LLDPDUPortID(subtype=5, id=b"Gi1/0/7")
        / lldp.LLDPDUTimeToLive(ttl=120)
        / lldp.LLDPDUPortDescription(description=b"to F1")
        / lldp.LLDPDUSystemName(system_name=b"SW-1")
        / lldp.LLDPDUSystemDescription(description=b"switch \x1b[31m of a cabinet")
        / lldp.LLDPDUSystemCapabilities(mac_bridge_available=1, mac_bridge_enabled=1)
        / lldp.LLDPDUManagementAddress(
            management_address_subtype=1,
            management_address=b"\xc0\x00\x02\x01",
            interface_numbering_subtype=2,
            interface_number=1,
            object_id=b"",
        )
        / lldp.LLDPDUEndOfLLDPDU()
    )
    found = seen(scapy.Ether(src=MAC, dst="01:80:c2:00:00:0e", type=0x88CC) / parts).content
    assert isinstance(found, Lldp)
    assert (found.chassis, found.port, found.lifetime_s) == (MAC, "Gi1/0/7", 120)
    assert (found.name, found.port_description) == ("SW-1", "to F1")
    assert found.able == ("bridge",)
    assert found.managed_at == ("192.0.2.1",)
    assert found.description == "switch ?[31m of a cabinet"  # what a terminal would obey is gone


def test_spanning_tree_reads_what_scapy_builds(scapy: Any) -> None:
    bpdu = scapy.STP(
        version=0, bpdutype=0, bpduflags=1, rootid=4096, rootmac=MAC, pathcost=20000,
        bridgeid=32768, bridgemac=OTHER, portid=0x8002, age=1, maxage=20, hellotime=2, fwddelay=15,
    )  # fmt: skip
    frame = scapy.Dot3(src=OTHER, dst="01:80:c2:00:00:00") / scapy.LLC(dsap=0x42, ssap=0x42, ctrl=3) / bpdu
    found = seen(frame).content
    assert isinstance(found, Bpdu)
    assert (found.kind, found.topology_change, found.cost, found.port) == (
        "configuration",
        True,
        20000,
        0x8002,
    )
    assert found.root == Bridge(4096, 0, MAC)
    assert str(found.bridge) == f"32768.{OTHER}"
    assert (found.age_s, found.max_age_s, found.hello_s, found.forward_delay_s) == (1, 20, 2, 15)


@pytest.mark.parametrize(
    ("age", "hello", "delay", "fits"),
    [(20, 2, 15, True), (28, 2, 15, True), (29, 2, 15, False), (6, 2, 15, True), (5, 2, 15, False)],
)
def test_timers_of_the_tree(age: int, hello: int, delay: int, fits: bool) -> None:
    """Source: IEEE 802.1D, 8.10.2 (from memory): 2 x (15 - 1) = 28 >= max age >= 2 x (2 + 1) = 6."""
    assert times_fit(Bpdu("configuration", max_age_s=age, hello_s=hello, forward_delay_s=delay)) is fits


def test_dcp_reads_what_scapy_builds(scapy: Any) -> None:
    from scapy.contrib import pnio_dcp

    name = pnio_dcp.DCPNameOfStationBlock(name_of_station="io-1", padding=b"")
    numbers = {"ip": "192.0.2.31", "netmask": "255.255.255.0", "gateway": "192.0.2.1"}
    # scapy adds a byte of padding whether it is due or not, and no length here: both are given
    address = pnio_dcp.DCPIPBlock(**numbers, block_info=1, dcp_block_length=14, padding=b"")
    blocks = bytes(name) + bytes(address)
    head = struct.pack("!HBBIHH", 0xFEFF, 5, 1, 7, 0, len(blocks))
    found = read(encode(OTHER, MAC, 0x8892, head + blocks)).content
    assert isinstance(found, Dcp)
    assert (found.kind, found.xid, found.name) == ("identify response", 7, "io-1")
    assert (found.address, found.mask, found.router) == ("192.0.2.31", "255.255.255.0", "192.0.2.1")
    assert (found.address_state, found.conflict) == ("set", False)


def test_scapy_reads_our_dcp_request(scapy: Any) -> None:
    from scapy.contrib import pnio, pnio_dcp

    packet = scapy.Ether(our_dcp.identify_request(MAC, 0x01020304))
    assert (packet.dst, packet.type) == ("01:0e:cf:00:00:00", 0x8892)
    assert packet[pnio.ProfinetIO].frameID == 0xFEFE
    inner = packet[pnio_dcp.ProfinetDCP]
    assert (inner.service_id, inner.service_type, inner.xid) == (5, 0, 0x01020304)
    assert (inner.option, inner.sub_option, inner.dcp_data_length) == (0xFF, 0xFF, 4)


def test_announcements_read_what_scapy_builds(scapy: Any) -> None:
    from scapy.layers import dhcp, inet6, ntp

    router = (
        scapy.Ether(src=MAC)
        / inet6.IPv6(src="fe80::1", dst="ff02::1")
        / inet6.ICMPv6ND_RA(routerlifetime=1800, M=1)
        / inet6.ICMPv6NDOptPrefixInfo(prefix="2001:db8::", prefixlen=64)
    )
    assert seen(router).content == RouterAdvertisement(1800, True, ("2001:db8::/64",))
    time = (
        scapy.Ether(src=MAC)
        / scapy.IP(src="192.0.2.5", dst="192.0.2.255")
        / scapy.UDP(sport=123, dport=123)
        / ntp.NTPHeader(leap=3, version=4, mode=5, stratum=16)
    )
    assert seen(time).content == NtpBroadcast(3, 16, 4)
    assert seen(time).source_ip == "192.0.2.5"
    offer = (
        scapy.Ether(src=MAC)
        / scapy.IP(src="192.0.2.1", dst="255.255.255.255")
        / scapy.UDP(sport=67, dport=68)
        / dhcp.BOOTP(op=2, yiaddr="192.0.2.77", chaddr=bytes.fromhex(OTHER.replace(":", "")))
        / dhcp.DHCP(options=[("message-type", "offer"), ("server_id", "192.0.2.1"), "end"])
    )
    assert seen(offer).content == DhcpAnswer("offer", "192.0.2.1", "192.0.2.77", OTHER)


def test_ptp_announce_as_laid_out_in_the_standard() -> None:
    """Source: IEEE 1588, 13.3 and 13.5 (from memory): header of 34 bytes, origin timestamp 10, then the body.

    Announce: currentUtcOffset 2, reserved 1, priority1, class, accuracy, variance 2, priority2, identity 8,
    stepsRemoved 2, timeSource 1.
    """
    header = bytes((0x0B, 0x02)) + (64).to_bytes(2) + bytes((5,)) + bytes(29)
    body = bytes(10) + (37).to_bytes(2) + b"\0" + bytes((128, 6, 0x21)) + bytes(2) + bytes((127,))
    body += bytes.fromhex("00005efffe005301") + (1).to_bytes(2) + b"\x20"
    found = read(encode("01:1b:19:00:00:00", MAC, 0x88F7, header + body)).content
    assert found == PtpAnnounce(5, "00:00:5e:ff:fe:00:53:01", 128, 6, 127, 1)


def test_tagged_frames_are_read_behind_their_tags(scapy: Any) -> None:
    """Source: IEEE 802.1Q (from memory): the identifier is the low 12 bits of the tag."""
    inner = scapy.ARP(op=2, hwsrc=MAC, psrc="192.0.2.1", pdst="192.0.2.9")
    found = seen(scapy.Ether(src=MAC) / scapy.Dot1Q(vlan=7, prio=5) / scapy.Dot1Q(vlan=9) / inner)
    assert found.ethernet.vlans == (7, 9)
    assert isinstance(found.content, Arp)


def test_default_question_of_snmp_is_a_get_of_one_object(scapy: Any) -> None:
    """scapy's SNMP layer reads the question that ``--services`` asks: version 2c, GET of sysObjectID."""
    from probe.collect.survey.services import DEFAULT_QUESTION

    packet = scapy.SNMP(DEFAULT_QUESTION)
    assert packet.version.val == 1
    assert packet.community.val == b"public"
    assert packet.PDU.varbindlist[0].oid.val.lstrip(".") == "1.3.6.1.2.1.1.2.0"
    assert type(packet.PDU).__name__ == "SNMPget"
    assert bytes(packet) == DEFAULT_QUESTION
