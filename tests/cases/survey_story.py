"""A survey told as a dictionary, for the cases of the checks on the network.

survey:
  devices: {F1: {hardware_address: ...}}     merged over two usual ones, F1 and F2; null takes one away
  own: [{address: 10.20.1.9/24}, ...]        this computer's interfaces, the first one chosen
  routes: ["10.20.1.0/24 eth1"]              destination and interface
  arp: ["10.20.1.11 11", "probe 10.20.1.11 77"]   who says to have what; last byte of the hardware address
  lldp: [{name: SW-1, port: p1, mau: 16}]    neighbours
  stp: [{root: 1, change: true, age: 20}]    spanning tree messages
  dcp: [{hw: 31, name: io-1, ip: ..., mask: ..., router: ..., conflict: true}]
  ntp: [{stratum: 2, leap: 0}]   ptp: [1, 2]   dhcp: ["10.20.1.66 10.20.1.99"]   ra: ["fe80::66"]
  talks: ["77 ff goose 5"]                   source, destination (last bytes), protocol, frames
  listening: {busiest: 5}                    null: frames were not heard
  sweep: [10.20.1.11, 2]                     first address and how many were asked; null: none
  secrets: [{protocol: SNMP, what: ..., default: true}]
  services: ["10.20.1.11 telnet offered"]
  forwarding: ["SW-1 11 p3"]                 switch, last byte, port
  modbus: {10.20.1.50: [Quellmark, QM-5, 1.4]}   what a stranger said of itself
  scope: {services: true}
  clock: why this computer cannot be used as a clock
"""

from __future__ import annotations

import ipaddress
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from probe.judge import Conclusion, conclude, judge_device
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.device_map import DeviceMap
from probe.model.evidence import (
    Anchor,
    Connect,
    ConnectOutcome,
    Exchange,
    Framing,
    Outcome,
    Purpose,
    ReferenceSample,
)
from probe.model.finding import Finding
from probe.model.frames.ethernet import BROADCAST, encode, octets
from probe.model.lineup import Lineup
from probe.model.network_evidence import (
    ForwardingEntry,
    Frame,
    Listening,
    OwnInterface,
    Route,
    SecretSeen,
    ServiceOutcome,
    ServiceProbe,
    Sweep,
    Talk,
)
from probe.model.scope import Scope, SurveyScope

OWN_HARDWARE = "02:00:5e:00:00:09"
USUAL: dict[str, Any] = {
    "own": [{}],
    "routes": ["10.20.1.0/24 eth0"],
    "arp": ["10.20.1.11 11", "10.20.1.12 12"],
    "listening": {},
    "sweep": ["10.20.1.1", 254],
}
SECOND = 1_000_000_000


@dataclass
class Surveyed:
    """What the judge said of a survey."""

    conclusion: Conclusion

    def findings(self, check: str) -> list[Finding]:
        """The findings of one check."""
        return [finding for finding in self.conclusion.findings if finding.check == check]


def hw(last: object) -> str:
    """``11`` to ``02:00:5e:00:00:11``; ``ff`` to everybody; a whole address as it is."""
    text = str(last)
    if text == "ff":
        return BROADCAST
    return text if ":" in text else f"02:00:5e:00:00:{text.zfill(2)}"


def packed(address: str) -> bytes:
    return ipaddress.ip_address(address).packed


def tlv(kind: int, value: bytes) -> bytes:
    return (kind << 9 | len(value)).to_bytes(2) + value


def arp(told: str) -> bytes:
    """A reply to us, or with ``probe`` in front a request without a sender's address."""
    *probe, address, last = told.split()
    head = bytes.fromhex("000108000604")
    if probe:
        body = head + b"\0\1" + octets(hw(last)) + bytes(10) + packed(address)
        return encode(BROADCAST, hw(last), 0x0806, body)
    body = head + b"\0\2" + octets(hw(last)) + packed(address) + octets(OWN_HARDWARE) + packed("10.20.1.9")
    return encode(OWN_HARDWARE, hw(last), 0x0806, body)


def lldp(told: dict[str, Any]) -> bytes:
    source = hw(told.get("hw", "01"))
    parts = tlv(1, b"\4" + octets(source)) + tlv(2, b"\5" + told.get("port", "p1").encode())
    parts += tlv(3, (120).to_bytes(2)) + tlv(5, told.get("name", "SW-1").encode())
    if "mau" in told:
        parts += tlv(127, bytes.fromhex("00120f01") + b"\3" + b"\0\0" + told["mau"].to_bytes(2))
    return encode("01:80:c2:00:00:0e", source, 0x88CC, parts + b"\0\0")


def stp(told: dict[str, Any]) -> bytes:
    def bridge(last: int) -> bytes:
        return (0x8000).to_bytes(2) + octets(hw(last))

    source = hw(told.get("hw", "01"))
    times = [told.get(name, usual) for name, usual in (("hello", 2), ("delay", 15))]
    body = struct.pack("!HHH", 0, told.get("age", 20) * 256, times[0] * 256) + (times[1] * 256).to_bytes(2)
    flags = 0x01 if told.get("change") else 0
    message = b"\x42\x42\x03" + bytes(4) + bytes([flags]) + bridge(told.get("root", 1)) + bytes(4)
    message += bridge(1) + b"\x80\x01" + body
    return octets("01:80:c2:00:00:00") + octets(source) + len(message).to_bytes(2) + message.ljust(46, b"\0")


def dcp(told: dict[str, Any]) -> bytes:
    def block(option: int, sub: int, info: int, value: bytes) -> bytes:
        data = info.to_bytes(2) + value
        return bytes((option, sub)) + len(data).to_bytes(2) + data + b"\0" * (len(data) % 2)

    numbers = [
        told.get("ip", "10.20.1.31"),
        told.get("mask", "255.255.255.0"),
        told.get("router", "10.20.1.1"),
    ]
    blocks = block(2, 2, 0, told.get("name", "io-1").encode()) + block(
        1, 2, 0x81 if told.get("conflict") else 1, b"".join(map(packed, numbers))
    )
    head = bytes.fromhex("feff0501") + bytes(6) + len(blocks).to_bytes(2)
    return encode(OWN_HARDWARE, hw(told.get("hw", "31")), 0x8892, head + blocks)


def udp(source: str, ports: tuple[int, int], payload: bytes, last: str = "66") -> bytes:
    datagram = struct.pack("!HHHH", *ports, 8 + len(payload), 0) + payload
    head = struct.pack("!BBHHHBBH", 0x45, 0, 20 + len(datagram), 0, 0, 64, 17, 0)
    packet = head + packed(source) + packed("255.255.255.255") + datagram
    return encode(BROADCAST, hw(last), 0x0800, packet)


def ntp(told: dict[str, Any]) -> bytes:
    first = told.get("leap", 0) << 6 | 4 << 3 | 5
    return udp("10.20.1.66", (123, 123), bytes((first, told.get("stratum", 2))) + bytes(46))


def ptp(number: int) -> bytes:
    master = octets(hw(number)) + b"\0\1"
    message = bytes((0x0B, 2)) + bytes(45) + bytes((128, 6, 0, 0, 0, 128)) + master + bytes(3)
    return encode("01:1b:19:00:00:00", hw(number), 0x88F7, message)


def dhcp(told: str) -> bytes:
    server, given = told.split()
    fixed = b"\2\1\6\0" + bytes(12) + packed(given) + bytes(8) + octets(hw("77")) + bytes(202)
    options = bytes.fromhex("63825363") + b"\x35\1\2" + b"\x36\4" + packed(server) + b"\xff"
    return udp(server, (67, 68), fixed + options)


def ra(source: str) -> bytes:
    message = bytes((134, 0, 0, 0, 64, 0)) + (1800).to_bytes(2) + bytes(8)
    head = b"\x60\0\0\0" + len(message).to_bytes(2) + bytes((58, 255))
    packet = head + packed(source) + packed("ff02::1") + message
    return encode("33:33:00:00:00:01", hw("66"), 0x86DD, packet)


FRAMES: dict[str, Callable[[Any], bytes]] = {
    "arp": arp, "lldp": lldp, "stp": stp, "dcp": dcp, "ntp": ntp, "ptp": ptp, "dhcp": dhcp, "ra": ra,
}  # fmt: skip


def evidence(told: dict[str, Any]) -> Iterator[Any]:
    """All evidence of the survey, in the order in which it comes."""
    for number, one in enumerate(told["own"] or []):
        yield interface(one, chosen=number == 0)
    for text in told["routes"]:
        destination, name = text.split()
        yield Route(0, destination, "", name, 0)
    for kind, make in FRAMES.items():
        for one in told.get(kind, []):
            data = make(one)
            yield Frame("eth0", SECOND, False, len(data), data)
    if told["sweep"]:
        first, asked = told["sweep"]
        last = str(ipaddress.ip_address(first) + asked - 1)
        yield Sweep("eth0", "arp", first, last, SECOND, 2 * SECOND, asked)
    for text in told.get("forwarding", []):
        switch, last, port = text.split()
        yield ForwardingEntry(switch, SECOND, hw(last), port, 0, True)
    yield from said(told)
    yield from heard(told)


def interface(told: dict[str, Any], *, chosen: bool) -> OwnInterface:
    return OwnInterface(
        at_ns=0,
        name=told.get("name", "eth0"),
        address=told.get("address", "10.20.1.9/24"),
        hardware_address=told.get("hardware_address", OWN_HARDWARE),
        up=told.get("up", True),
        speed_mbps=told.get("speed_mbps", 1000),
        duplex=told.get("duplex", "full"),
        sort=told.get("sort", "wired"),
        chosen=told.get("chosen", chosen),
    )


def said(told: dict[str, Any]) -> Iterator[Any]:
    """What was asked of hosts: services, and strangers by Modbus."""
    for text in told.get("services", []):
        host, name, outcome = text.split()
        said_first = b"login: " if name == "telnet" else b""
        service = "snmp with a default community name" if name == "snmp" else name
        yield ServiceProbe(host, 23, service, 0, SECOND, ServiceOutcome(outcome), said_first)
    for host, objects in told.get("modbus", {}).items():
        yield Connect(f"{host}:502", 0, SECOND, ConnectOutcome.OPEN, "", "")
        listed = b"".join(bytes((i, len(text.encode()))) + text.encode() for i, text in enumerate(objects))
        reply = bytes.fromhex("2b0e01010000") + bytes([len(objects)]) + listed
        frame = b"\0\1\0\0" + (len(reply) + 1).to_bytes(2) + b"\xff" + reply
        asked = bytes.fromhex("000100000005ff2b0e0100")
        fixed = (Purpose.IDENTITY, Framing.MBAP, 0, 1, 0, SECOND, Outcome.DATA, 0, asked, frame)
        yield Exchange(f"@{host}", *fixed)


def heard(told: dict[str, Any]) -> Iterator[Any]:
    """Secrets, talks and the tallies of the listening."""
    for one in told.get("secrets", []):
        what, default = one.get("what", "community name"), one.get("default", False)
        fixed = (one.get("protocol", "SNMP"), "10.20.1.11", "10.20.1.12", what, default)
        yield SecretSeen(SECOND, "eth0", *fixed)
    for text in told.get("talks", []):
        source, destination, protocol, frames = text.split()
        yield Talk("eth0", hw(source), hw(destination), protocol, int(frames), 60 * int(frames), 0, SECOND)
    listening = told["listening"]
    if listening is None:
        yield Listening("eth0", 0, 0, "none", "this user may not hear raw frames", 0, 0, 0, 0, 0, 0)
        return
    counts = [listening.get(name, 0) for name in ("dropped", "uncounted", "busiest", "busiest_arp")]
    end = round(listening.get("seconds", 40) * SECOND)
    means, why = listening.get("means", "raw socket"), listening.get("why", "")
    yield Listening("eth0", 0, end, means, why, 500, 40_000, *counts)


def surveyed(case: dict[str, Any], base: dict[str, Any], device: dict[str, Any], profiles: Any) -> Surveyed:
    """The judgement of a case. base: the usual map; device: a usual entry; profiles: the library."""
    told = {**USUAL, **case["survey"]}
    entries = []
    drawn = {"F1": {}, "F2": {}, **told.get("devices", {})}
    for number, (tag, entry) in enumerate(drawn.items(), start=11):
        if entry is not None:
            usual = {"address": {"host": f"10.20.1.{number}"}, "hardware_address": hw(number)}
            entries.append({**device, "identity": {}, "tag": tag, **usual, **entry})
    networks = [{"name": "control", "subnet": "10.20.1.0/24", "router": "10.20.1.1"}]
    lineup = Lineup(
        map=DeviceMap.model_validate(
            {**base, "networks": networks, **told.get("map", {}), "devices": entries}
        ),
        profiles={name: profiles.get(name) for name in profiles.names()},
        map_texts=(),
        profile_texts=(),
    )
    tags = tuple(entry["tag"] for entry in entries)
    scope = Scope(tags=tags, survey=SurveyScope(interface="eth0", **told.get("scope", {})))
    network = tuple(enumerate(evidence(told), start=100))
    clock = ReferenceSample("laptop", 0, 0, 0, 0, "clock" not in told, told.get("clock", ""), b"")
    run = RunEvidence(
        references=((2, clock),),
        anchors=((1, Anchor(0, 0)), (99_999, Anchor(SECOND, SECOND))),
        network=network,
    )
    judged = {tag: judge_device(lineup, scope, DeviceEvidence(tag=tag), run) for tag in tags}
    return Surveyed(conclude(lineup, scope, judged, run))
