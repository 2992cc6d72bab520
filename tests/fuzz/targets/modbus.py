"""Targets: Modbus PDUs, and the values in their registers."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from probe.model import pdu
from probe.model.clock_codec import ENCODINGS
from probe.model.codec import TYPES, Encoding, make_decoder, registers_allowed
from probe.model.evidence import Outcome
from probe.model.profile import Decoder
from probe.model.reading import Quality
from tests.fuzz.target import Target, need

REQUESTS = (
    pdu.read_request(3, 0, 2),
    pdu.read_request(1, 7, 10),
    pdu.read_request(4, 100, 125),
    pdu.read_request(2, 0, 2000),
    pdu.identification_request(),
    pdu.identification_request(4, 3),
)


def well_formed(request: bytes, reply: bytes) -> bool:
    """Whether a reply to a read request is good data, worked out without the code under test.

    Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4, 6.21.
    """
    if len(reply) < 2 or reply[0] != request[0]:
        return False
    if request[0] == 0x2B:
        return reply[1] == 0x0E and len(reply) >= 7
    many = int.from_bytes(request[3:5])
    wanted = 2 * many if request[0] in (3, 4) else -(-many // 8)
    return len(reply) == 2 + wanted and reply[1] == wanted


def _pdu(data: bytes) -> None:
    request, reply = REQUESTS[data[0] % len(REQUESTS)] if data else REQUESTS[0], data[1:]
    outcome, code = pdu.check_reply(request, reply)
    if outcome is Outcome.DATA:
        need(well_formed(request, reply), f"taken as data: {reply.hex()}")
    elif outcome is Outcome.EXCEPTION:
        need((len(reply), reply[0], reply[1]) == (2, request[0] | 0x80, code), f"no exception: {reply.hex()}")
    else:
        need(code == 0, "an exception code without an exception")
        need(request[0] == 0x2B or not well_formed(request, reply), f"good data refused: {reply.hex()}")
    found = pdu.identification(reply)
    need(
        sum(2 + len(value) for _, value in found.objects) <= max(0, len(reply) - 7), "more objects than bytes"
    )
    if request[0] == 0x2B:
        following = pdu.following_request(request, reply)
        need(following is None or following[3] > request[3], "the same objects would be asked again")


def _pdu_seeds() -> Iterator[bytes]:
    yield b"\0" + pdu.read_reply(3, bytes(4))
    yield b"\1" + pdu.read_reply(1, bytes(2))
    yield b"\2" + pdu.read_reply(4, bytes(250))
    yield b"\0" + pdu.exception_reply(3, 2)
    objects = b"".join(bytes((number, 3)) + b"abc" for number in range(3))
    yield b"\4" + bytes((0x2B, 0x0E, 1, 1, 0, 0, 3)) + objects
    yield b"\4" + bytes((0x2B, 0x0E, 1, 1, 0xFF, 3, 3)) + objects


@lru_cache(maxsize=1)
def _decoders() -> tuple[tuple[str, int, Decoder], ...]:
    """Name, bytes and decoder of every type in its orders, and of every clock."""
    made = []
    for kind in TYPES:
        if kind == "clock":
            continue
        least, most = registers_allowed(kind)
        for count in sorted({least, most, min(most, least + 1)}):
            for order in ("AB", "BA", "ABCD", "CDAB", "BADC", "DCBA", "ABCDEFGH", "GHEFCDAB", "HGFEDCBA"):
                try:
                    decoder = make_decoder(Encoding(type=kind, count=count, order=order))
                except ValueError:
                    continue
                made.append((f"{kind} {order}", 1 if kind == "bit" else 2 * count, decoder))
    for clock in ENCODINGS:
        fields = ("year", "month", "day", "hour", "minute", "second") if clock == "fields" else ()
        count = registers_allowed("clock", clock, fields)[0]
        for family in ("ABCD", "CDAB", "BADC", "DCBA"):
            try:
                encoding = Encoding(type="clock", count=count, order=family, clock=clock, fields=fields)
                made.append((f"clock {clock} {family}", 2 * count, make_decoder(encoding)))
            except ValueError:
                continue
    need(len(made) > 60, "few types could be made")
    return tuple(made)


def _registers(data: bytes) -> None:
    kinds = _decoders()
    name, size, decoder = kinds[(data[0] if data else 0) % len(kinds)]
    raw = data[1 : 1 + size].ljust(size, b"\0")
    if size == 1:
        raw = bytes((raw[0] & 1,))
    value, quality = decoder.decode(raw)
    need(isinstance(quality, Quality), f"{name}: {quality!r} is no quality")
    if quality is Quality.GOOD:
        try:
            again = decoder.decode(decoder.encode(value))
        except ValueError:
            need(name.startswith("text"), f"a good value that cannot be: {name} {raw.hex()} {value!r}")
            return  # text of an old code page: shown, but not written that way
        need(again == (value, Quality.GOOD), f"{name}: {raw.hex()} is {value!r}, again {again!r}")


def _register_seeds() -> Iterator[bytes]:
    for number, (_, size, _) in enumerate(_decoders()):
        yield bytes((number & 0xFF,)) + bytes(range(1, size + 1))


TARGETS = (
    Target(
        name="modbus_pdu",
        promise="a reply counts as data only if function, byte count and length agree with the request",
        run=_pdu,
        seeds=_pdu_seeds,
        longest=300,
        calls=3000,
    ),
    Target(
        name="registers",
        promise="any registers have a value or a reason; a good value encodes to itself",
        run=_registers,
        seeds=_register_seeds,
        longest=260,
        calls=3000,
    ),
)
