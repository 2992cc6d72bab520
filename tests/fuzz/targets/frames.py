"""Targets: frames from the wire, whole and protocol by protocol; and what is kept of them."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from probe.model.frames import announcement, arp, dcp, ethernet, internet, lldp, secrets_seen, seen, stp
from probe.model.frames.ethernet import FrameError
from tests.fuzz.target import Target, need

_OWN, _OTHER = "02:00:5e:10:00:01", "02:00:5e:10:00:02"
CAPTURES = Path(__file__).parents[3] / "captures"


def _read(data: bytes) -> None:
    try:
        found = seen.read(data)
    except FrameError:
        return
    need(found.keep > 0, "a frame of which nothing may be kept")
    need(found.protocol and found.protocol.isprintable(), f"protocol {found.protocol!r}")
    need(len(repr(found.content)) < 20 * len(data) + 4000, "more was decoded than the frame can hold")
    if found.content is None and found.protocol in ("modbus", "http", "ftp", "telnet", "snmp"):
        need(
            found.keep <= 14 + 12 + 60 + 60 + 8 + 40 * 8,
            f"{found.keep} bytes of {found.protocol} would be kept",
        )
    for text in _texts(found.content):
        need(all(sign.isprintable() for sign in text), f"a terminal would obey {text!r}")


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, tuple):
        for one in value:
            yield from _texts(one)


_DECODERS = (
    lldp.decode,
    stp.decode,
    arp.decode,
    dcp.decode,
    announcement.router,
    announcement.ntp,
    announcement.ptp,
    announcement.dhcp,
    internet.decode_v4,
    internet.decode_v6,
    ethernet.decode,
)


def _decode(data: bytes) -> None:
    which, payload = (data[0] if data else 0), data[1:]
    for source, destination in ((161, 161), (40000, 162), (23, 40000), (40000, 21), (40000, 80)):
        secret = secrets_seen.in_udp(source, destination, payload) or secrets_seen.in_tcp(
            source, destination, payload
        )
        need(secret is None or secret.what in ("community name", "password"), f"secret {secret!r}")
    try:
        found = _DECODERS[which % len(_DECODERS)](payload)
    except FrameError as error:
        need(str(error), "a FrameError that says nothing")
        return
    need(str(found), "a value without a text")
    for text in _texts(found):
        need(all(sign.isprintable() for sign in text), f"a terminal would obey {text!r}")


@lru_cache(maxsize=1)
def frames_of_samples() -> tuple[bytes, ...]:
    """Frames of the captures in the repository, each kind a few times; and some made here."""
    found: dict[tuple[int, int], bytes] = {}
    for path in sorted(CAPTURES.glob("*.pcapng")):
        for frame in _packets(path.read_bytes()):
            kind = int.from_bytes(frame[12:14]) if len(frame) > 14 else 0
            protocol = frame[23] if kind == 0x0800 and len(frame) > 40 else 0
            ports = int.from_bytes(frame[36:38]) if protocol in (6, 17) else 0
            found.setdefault((kind << 8 | protocol, ports if ports < 40000 else len(frame)), frame)
    made = (
        arp.request(_OWN, "192.0.2.1", "192.0.2.2"),
        dcp.identify_request(_OWN, 77),
        ethernet.encode("01:80:c2:00:00:0e", _OWN, ethernet.LLDP, _lldp()),
        bytes.fromhex("0180c2000000 02005e100001 0026 424203 0000 02 02 3c".replace(" ", "")) + bytes(40),
        bytes.fromhex("02005e100002 02005e100001 8100 0064 0806".replace(" ", "")) + bytes(28),
        ethernet.encode(_OTHER, _OWN, 0x8892, _dcp()),
        ethernet.encode("33:33:00:00:00:01", _OWN, 0x86DD, _router()),
        _udp(67, 68, bytes((2,)) + bytes(235) + bytes.fromhex("63825363350105360401020304ff")),
        _udp(123, 123, bytes((0x25, 2)) + bytes(46)),
        _udp(
            40000,
            161,
            bytes.fromhex("302602010104067075626c6963a019020400000001020100020100300b300906052b060102010500"),
        ),
        ethernet.encode(_OTHER, _OWN, 0x88F7, bytes((0x0B, 2)) + bytes(62)),
    )
    return (*list(found.values())[:40], *made)


def _packets(data: bytes) -> Iterator[bytes]:
    """Packets of a pcapng file as this tool writes it."""
    at = 0
    while at + 12 <= len(data):
        kind, size = (int.from_bytes(data[at + n : at + n + 4], "little") for n in (0, 4))
        if size < 12:
            return
        if kind == 6:
            many = int.from_bytes(data[at + 20 : at + 24], "little")
            yield data[at + 28 : at + 28 + many]
        at += size


def _part(kind: int, value: bytes) -> bytes:
    return (kind << 9 | len(value)).to_bytes(2) + value


def _lldp() -> bytes:
    return b"".join(
        (
            _part(1, bytes((4,)) + bytes.fromhex("02005e100001")),
            _part(2, bytes((5,)) + b"port-1"),
            _part(3, (120).to_bytes(2)),
            _part(4, b"uplink"),
            _part(5, b"SW-1"),
            _part(6, "a switch \u00b5".encode()),
            _part(7, bytes((0, 20, 0, 4))),
            _part(8, bytes((5, 1, 192, 0, 2, 9, 2, 0, 0, 0, 1, 0))),
            _part(127, bytes.fromhex("00120f01036c03001e")),
            _part(127, bytes.fromhex("0080c2010064")),
            _part(0, b""),
        )
    )


def _dcp() -> bytes:
    blocks = bytes.fromhex("0202 0006 0000 44502d31") + bytes.fromhex(
        "0102 000e 0001 c0000209 ffffff00 c0000201"
    )
    blocks += bytes.fromhex("0203 0006 0000 00fe 0001 0204 0004 0000 0100")
    return bytes.fromhex("feff 05 01 00000007 0000") + len(blocks).to_bytes(2) + blocks


def _router() -> bytes:
    advertisement = bytes.fromhex("86000000 40800708 00000000 00000000 0304 40c0 00278d00 00093a80 00000000")
    advertisement += bytes.fromhex("20010db8") + bytes(12)
    head = bytes.fromhex("60000000") + len(advertisement).to_bytes(2) + bytes((58, 255))
    return (
        head
        + bytes.fromhex("fe80")
        + bytes(13)
        + b"\1"
        + bytes.fromhex("ff02")
        + bytes(13)
        + b"\1"
        + advertisement
    )


def _udp(source: int, destination: int, payload: bytes) -> bytes:
    body = source.to_bytes(2) + destination.to_bytes(2) + (8 + len(payload)).to_bytes(2) + b"\0\0" + payload
    head = (
        b"\x45\0"
        + (20 + len(body)).to_bytes(2)
        + bytes((0, 0, 0, 0, 64, 17, 0, 0, 192, 0, 2, 1, 192, 0, 2, 2))
    )
    return ethernet.encode(_OTHER, _OWN, 0x0800, head + body)


def _decode_seeds() -> Iterator[bytes]:
    yield bytes((0,)) + _lldp()
    yield bytes((3,)) + _dcp()
    yield bytes((4,)) + _router()[40:]
    for frame in frames_of_samples():
        kind = int.from_bytes(frame[12:14])
        which = {0x0806: 2, 0x88CC: 0, 0x8892: 3, 0x0800: 8, 0x86DD: 9, 0x88F7: 6}.get(kind)
        yield bytes((10,)) + frame if which is None else bytes((which,)) + frame[14:]
    yield bytes((1,)) + frames_of_samples()[-8][14:]
    yield bytes((7,)) + bytes((2,)) + bytes(235) + bytes.fromhex("63825363350105360401020304ff")


TARGETS = (
    Target(
        name="frames",
        promise="any frame is read or refused; texts are printable; passwords and payload are not kept",
        run=_read,
        seeds=frames_of_samples,
        longest=1600,
        calls=2500,
    ),
    Target(
        name="frame_protocols",
        promise="as for frames: LLDP, STP, ARP, DCP, IP, router advertisement, NTP, PTP, DHCP each alone",
        run=_decode,
        seeds=_decode_seeds,
        longest=1600,
        calls=2500,
    ),
)
