"""What a frame is, how much of it is kept, and that what is kept holds nobody's words."""

from __future__ import annotations

import struct

import pytest

from probe.model.frames.ethernet import FrameError, encode, octets
from probe.model.frames.seen import read

MAC, OTHER = "02:00:5e:10:00:01", "02:00:5e:10:00:02"


def ipv4(protocol: int, payload: bytes, *, fragment: int = 0) -> bytes:
    head = struct.pack("!BBHHHBBH", 0x45, 0, 20 + len(payload), 0, fragment, 64, protocol, 0)
    addresses = bytes((192, 0, 2, 1, 192, 0, 2, 2))
    return octets(OTHER) + octets(MAC) + b"\x08\x00" + head + addresses + payload


def tcp(ports: tuple[int, int], payload: bytes) -> bytes:
    return ipv4(6, struct.pack("!HHIIBBHHH", *ports, 0, 0, 0x50, 0x18, 0, 0, 0) + payload)


def udp(ports: tuple[int, int], payload: bytes) -> bytes:
    return ipv4(17, struct.pack("!HHHH", *ports, 8 + len(payload), 0) + payload)


SNMP = bytes.fromhex("3026020101") + b"\x04\x06secret" + bytes.fromhex("a019020201f5020100020100300d")


@pytest.mark.parametrize(
    ("frame", "protocol", "what", "default"),
    [
        (udp((40_000, 161), SNMP), "SNMP", "community name", False),
        (udp((161, 40_000), SNMP.replace(b"secret", b"public")), "SNMP", "community name", True),
        (tcp((40_000, 21), b"PASS hunter2\r\n"), "FTP", "password", False),
        (tcp((23, 40_000), b"\r\nlogin: "), "Telnet", "password", False),
        (
            tcp((40_000, 80), b"GET / HTTP/1.1\r\nAuthorization: Basic c2VjcmV0\r\n\r\n"),
            "HTTP",
            "password",
            False,
        ),
    ],
)
def test_secrets_are_told_and_never_kept(frame: bytes, protocol: str, what: str, default: bool) -> None:
    found = read(frame)
    assert found.secret == (protocol, what, default)
    kept = frame[: found.keep]
    for word in (b"secret", b"public", b"hunter2", b"login", b"c2Vj"):
        assert word not in kept
    again = read(kept)  # what is kept still tells who spoke to whom
    assert (again.ethernet, again.source_ip) == (
        found.ethernet._replace(payload=again.ethernet.payload),
        "192.0.2.1",
    )


@pytest.mark.parametrize(
    "frame",
    [
        udp((40_000, 161), b"\x30\x05\x02\x01\x03"),  # version 3 hides its name
        tcp((40_000, 21), b"LIST\r\n"),
        tcp((40_000, 8080), b"GET / HTTP/1.1\r\nHost: x\r\n\r\n"),
        udp((40_000, 161), b""),
    ],
)
def test_what_is_no_secret_is_none(frame: bytes) -> None:
    assert read(frame).secret is None


def test_modbus_is_known_by_its_port_and_its_values_are_not_kept() -> None:
    frame = tcp((502, 40_000), bytes.fromhex("000100000005ff03022a2b"))
    found = read(frame)
    assert found.protocol == "modbus"
    assert len(frame[: found.keep]) == len(frame) - 11


def test_later_fragments_have_no_ports() -> None:
    frame = ipv4(17, SNMP, fragment=100)
    found = read(frame)
    assert (found.protocol, found.secret) == ("udp", None)
    assert frame[: found.keep] == frame[:34]  # what follows may be the middle of anybody's words


def test_cyclic_profinet_data_is_counted_and_not_kept() -> None:
    frame = encode(OTHER, MAC, 0x8892, bytes.fromhex("8000") + b"values of others")
    found = read(frame)
    assert (found.protocol, found.trouble) == ("profinet data", "")
    assert frame[: found.keep] == frame[:16]


@pytest.mark.parametrize(
    ("frame", "trouble"),
    [
        (encode(OTHER, MAC, 0x0806, b"\0\1\x08\0\6\4\0\7")[:40], "ARP packet"),
        (encode(OTHER, MAC, 0x88CC, b"\x02\x07\x04\0\0\x5e\0\x53\1\x06\x02\0\x78"), "chassis, port and time"),
        (encode(OTHER, MAC, 0x88CC, b"\x02\xff" + bytes(30)), "cut"),
        (octets("01:80:c2:00:00:00") + octets(MAC) + b"\0\x0a\x42\x42\x03" + bytes(7), "cut"),
        (encode(OTHER, MAC, 0x8892, bytes.fromhex("feff0501000000000000ffff")), "cut"),
        (encode(OTHER, MAC, 0x0800, b"\x4f" + bytes(10))[:30], "IPv4"),
        (encode(OTHER, MAC, 0x86DD, b"\x60" + bytes(10))[:30], "IPv6"),
    ],
)
def test_malformed_frames_say_what_is_wrong(frame: bytes, trouble: str) -> None:
    found = read(frame)
    assert found.content is None
    assert trouble in found.trouble


def test_less_than_a_header_is_no_frame() -> None:
    with pytest.raises(FrameError, match="13 bytes"):
        read(bytes(13))


def test_tags_without_end_are_no_frame() -> None:
    with pytest.raises(FrameError, match="tag"):
        read(octets(OTHER) + octets(MAC) + b"\x81\0\0\1" * 40)
