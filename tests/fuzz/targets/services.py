"""Targets: answers of SNMP agents and of time servers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from ipaddress import ip_address, ip_network
from typing import Any

from probe.model.snmp_values import BerError, Binding, Kind, bind, decode, encode, oid_text
from probe.wire import sntp
from probe.wire.interfaces import parse_routes
from probe.wire.neighbours import parse_arp, parse_proc
from probe.wire.reference import sample_of
from probe.wire.snmp_library import _guarded_dispatcher, _raw
from tests.fuzz.target import Target, need

_NAME = (1, 3, 6, 1, 2, 1, 1, 5, 0)


def _values(data: bytes) -> None:
    try:
        found = decode(data)
    except BerError:
        return
    need(len(found) * 4 <= max(len(data), 4), "more bindings than the bytes can hold")
    for one in found:
        need(oid_text(one.oid), "a binding without a name")
    if all(isinstance(one.value, int) is False or -(2**63) <= one.value < 2**64 for one in found):  # type: ignore[operator]
        need(decode(encode(found)) == found, f"{found!r} is not read back as it was written")


def _value_seeds() -> Iterator[bytes]:
    values: tuple[tuple[Kind, Any], ...] = (
        (Kind.INTEGER, -5), (Kind.OCTETS, b"SW-1"), (Kind.NULL, None), (Kind.OID, (1, 3, 6, 1)),
        (Kind.ADDRESS, bytes((192, 0, 2, 1))), (Kind.COUNTER32, 2**32 - 1), (Kind.GAUGE32, 7),
        (Kind.TICKS, 100), (Kind.COUNTER64, 2**64 - 1), (Kind.NO_SUCH_OBJECT, None), (Kind.END_OF_VIEW, None),
    )  # fmt: skip
    for kind, value in values:
        try:
            yield encode([Binding(_NAME, kind, value)])
        except TypeError:
            continue
    yield bind([(_NAME, b"\x04\x03abc"), ((1, 3), b"\x02\x01\x05")])
    yield encode([Binding(_NAME, Kind.OCTETS, b"x" * 300)])


class _Engine:
    """The library's message processing, ready made; no socket."""

    made: Any = None

    @classmethod
    def get(cls) -> Any:
        if cls.made is None:
            from pysnmp.entity import config
            from pysnmp.hlapi.v3arch import asyncio as api

            cls.made = api.SnmpEngine(msgAndPduDsp=_guarded_dispatcher())
            config.add_v1_system(cls.made, "own", "public")
        return cls.made


def _message(data: bytes) -> None:
    from pyasn1.codec.ber import decoder
    from pyasn1.error import PyAsn1Error
    from pysnmp.carrier.asyncio.dgram import udp
    from pysnmp.proto.api import v2c

    engine = _Engine.get()
    engine.message_dispatcher.receive_message(engine, udp.DOMAIN_NAME, ("127.0.0.1", 161), data)
    # What the library would hand us of an answer that it takes: on to our own reading.
    try:
        message, _ = decoder.decode(data, asn1Spec=v2c.Message())
        pdu = v2c.apiMessage.get_pdu(message)
        found = v2c.apiPDU.get_varbinds(pdu)
    except (PyAsn1Error, Exception):  # noqa: BLE001  the library's own refusals are of many kinds
        return
    try:
        raw = _raw(found)
    except PyAsn1Error:
        return
    try:
        decode(raw)
    except BerError:
        return


def _message_seeds() -> Iterator[bytes]:
    from pyasn1.codec.ber import encoder
    from pysnmp.proto.api import v2c

    answers = (
        v2c.OctetString("SW-1"), v2c.Integer(5), v2c.ObjectIdentifier((1, 3, 6)), v2c.Counter64(2**40),
        v2c.TimeTicks(7), v2c.IpAddress("192.0.2.1"), v2c.Null(""), v2c.EndOfMibView(""),
    )  # fmt: skip
    for value in answers:
        pdu = v2c.GetResponsePDU()
        v2c.apiPDU.set_defaults(pdu)
        v2c.apiPDU.set_request_id(pdu, 7)
        v2c.apiPDU.set_varbinds(pdu, [(_NAME, value)])
        message = v2c.Message()
        v2c.apiMessage.set_defaults(message)
        v2c.apiMessage.set_community(message, "public")
        v2c.apiMessage.set_pdu(message, pdu)
        yield bytes(encoder.encode(message))


_NONCE = 0x1122334455667788
_WALL_NS = 1_795_600_000_000_000_000


def _sntp(data: bytes) -> None:
    sample = sample_of("ntp", data, _NONCE, 1_000, 2_000_000, _WALL_NS)
    need(sample.data == data, "the answer was not kept as it came")
    if sample.usable:
        need(sample.low_ns <= sample.high_ns, "bounds that are crossed")
        need(int.from_bytes(data[24:32]) == _NONCE, "an answer to another request was taken")
        need(data[0] & 7 == 4 and data[0] >> 6 != 3 and 0 < data[1] < 16, "an answer of no server was taken")
    else:
        need(sample.reason, "an answer refused without a reason")


def _sntp_seeds() -> Iterator[bytes]:
    times = (
        sntp.ntp_time(_WALL_NS - 5_000_000_000),
        _NONCE,
        sntp.ntp_time(_WALL_NS),
        sntp.ntp_time(_WALL_NS + 1000),
    )
    for first, stratum, name in (
        (0x24, 2, b"\x7f\0\0\1"),
        (0x24, 0, b"RATE"),
        (0xE4, 1, b"LOCL"),
        (0x1C, 16, b"GPS\0"),
    ):
        head = bytes((first, stratum, 6, 0xEC)) + (100).to_bytes(4) + (200).to_bytes(4) + name
        yield head + b"".join(one.to_bytes(8) for one in times)
    yield b"\x24" * 47


def _tables(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    for table in (parse_proc(text), parse_arp(text)):
        for address, hardware in table.items():
            need(re.fullmatch("[0-9a-f]{2}(:[0-9a-f]{2}){5}", hardware), f"no hardware address: {hardware!r}")
            need(address, "an entry without an address")
    for route in parse_routes(text, 1):
        need(str(ip_network(route.destination)) == route.destination, f"no network: {route.destination!r}")
        need(not route.router or ip_address(route.router), "a router without an address")


def _table_seeds() -> Iterator[bytes]:
    yield b"IP address HW type Flags HW address Mask Device\n192.0.2.1 0x1 0x2 02:00:5e:10:00:01 * eth0\n"
    yield b"? (192.0.2.1) at 2:0:5e:10:0:1 on en0 ifscope [ethernet]\n"
    yield b"Iface Destination Gateway Flags RefCnt Use Metric Mask\neth0 0 010200C0 0003 0 0 100 00000000\n"
    yield b"  192.0.2.1             02-00-5e-10-00-01     dynamic\n"


TARGETS = (
    Target(
        name="snmp_values",
        promise="bindings or BerError; what was read encodes and reads back the same",
        run=_values,
        seeds=_value_seeds,
        longest=1500,
        calls=3000,
    ),
    Target(
        name="snmp_messages",
        promise="no datagram raises inside the event loop; what the library lets through is read or refused",
        run=_message,
        seeds=_message_seeds,
        longest=1500,
        calls=60,
    ),
    Target(
        name="sntp",
        promise="only a synchronised server's answer to this request is used; bounds are in order",
        run=_sntp,
        seeds=_sntp_seeds,
        longest=200,
        calls=3000,
    ),
    Target(
        name="neighbour_tables",
        promise="tables of the operating system in any form give pairs of addresses, routes, or nothing",
        run=_tables,
        seeds=_table_seeds,
        longest=2000,
        calls=1500,
    ),
)
