"""Target: a whole talk with an SNMP agent that lies, by the real session and library in virtual time.

The input is a script: how the agent answers each message. Version 2c, version 3 without keys, and version 3
with keys that the agent does not have: whatever it says then, nothing may be taken as data.
Source: RFC 3412, 6 (messages of version 3); RFC 3414, 2.4 and 4 (USM, discovery); RFC 3416, 3 (PDUs).
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from typing import Any, cast
from unittest.mock import patch

from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome
from probe.model.snmp_values import BerError, decode
from probe.wire.snmp import Agent, Credentials, Manner, SnmpSession
from tests.fuzz.target import BrokenPromiseError, Target, need
from tests.fuzz.targets.links import _Loop

_SECRET = "a-secret-of-the-site"
_WHO = (
    Credentials(version="2c", community=_SECRET),
    Credentials(version="3", user="auditor"),
    Credentials(version="3", user="auditor", auth="sha256", auth_key=_SECRET),
)
_MANNER = Manner(timeout_s=1.0, tries=2, rows=30, repetitions=4)
_NAME, _COLUMN = (1, 3, 6, 1, 2, 1, 1, 5, 0), (1, 3, 6, 1, 2, 1, 2, 2, 1, 2)
_UNKNOWN_ENGINE = bytes.fromhex("2b060106030f01010400")  # usmStatsUnknownEngineIDs.0
_RESPONSE, _REPORT = 0xA2, 0xA8
_MOST_MESSAGES = 60


def tlv(tag: int, content: bytes) -> bytes:
    """One element of BER. Source: ITU-T X.690, 8.1."""
    size = len(content)
    if size < 0x80:
        return bytes((tag, size)) + content
    long = size.to_bytes((size.bit_length() + 7) // 8)
    return bytes((tag, 0x80 | len(long))) + long + content


def parts(data: bytes) -> list[tuple[int, bytes]]:
    """Tag and content of each element: of what our own side sends, so nothing is checked."""
    found, at = [], 0
    while at < len(data):
        tag, size, at = data[at], data[at + 1], at + 2
        if size & 0x80:
            at, size = at + (size & 0x7F), int.from_bytes(data[at : at + (size & 0x7F)])
        found.append((tag, data[at : at + size]))
        at += size
    return found


class _Net(_Loop):
    """An event loop in virtual time whose only datagrams are those of the agent."""

    agent: _LyingAgent

    async def getaddrinfo(self, host: Any, port: Any, **_: Any) -> Any:
        return [(0, 0, 0, "", (host, port))]

    async def create_datagram_endpoint(self, factory: Any, *_: Any, **__: Any) -> Any:
        protocol = factory()
        transport = _Transport(self, protocol)
        protocol.connection_made(transport)
        return transport, protocol


class _Transport:
    """The side of asyncio's datagram transport."""

    def __init__(self, loop: _Net, protocol: Any) -> None:
        self._loop, self._protocol, self._open = loop, protocol, True

    def sendto(self, data: bytes, address: Any = None) -> None:
        for answer in self._loop.agent.answers(bytes(data)):
            self._loop.call_later(0.01, self._deliver, answer)

    def _deliver(self, answer: bytes) -> None:
        if self._open:
            self._protocol.datagram_received(answer, ("127.0.0.1", 161))

    def close(self) -> None:
        self._open = False

    abort = close

    def get_extra_info(self, name: str, default: object = None) -> object:
        return default


class _LyingAgent:
    """Answers each message as the script says."""

    def __init__(self, script: bytes) -> None:
        self._script, self._at, self.messages = script, 0, 0

    def _next(self) -> int:
        self._at += 1
        return self._script[self._at - 1] if self._at <= len(self._script) else 0

    def _bytes(self) -> bytes:
        many = self._next() % 48
        self._at += many
        return self._script[self._at - many : self._at]

    def answers(self, sent: bytes) -> list[bytes]:
        """The datagrams that come back."""
        self.messages += 1
        need(self.messages <= _MOST_MESSAGES, f"{self.messages} messages to one agent")
        step = self._next()
        match step % 8:
            case 0 | 1 | 2:
                return [self._reply(sent, _RESPONSE, self._bindings(sent, step >> 3))]
            case 3:
                return [self._spoilt(self._reply(sent, _RESPONSE, self._bindings(sent, 0)))]
            case 4:
                return [self._reply(sent, _REPORT, _UNKNOWN_ENGINE_BINDING)]
            case 5:
                return [self._bytes(), self._reply(sent, _RESPONSE, self._bindings(sent, 1))]
            case 6:
                return [self._spoilt(self._reply(sent, _REPORT, _UNKNOWN_ENGINE_BINDING))]
            case _:
                return []

    def _bindings(self, sent: bytes, how: int) -> bytes:
        """Names of the request, or behind them, with values of the script's choice."""
        asked = parts(parts(_pdu(sent)[1])[3][1])
        made = b""
        for _, binding in asked[:4]:
            name = parts(binding)[0][1]
            for row in range(how % 4 + 1):
                value = self._bytes() or b"\x04\x02ok"
                own = name if how & 8 else name + bytes((row + 1 & 0x7F,))
                made += tlv(0x30, tlv(6, own) + value)
        return made

    def _reply(self, sent: bytes, kind: int, bindings: bytes) -> bytes:
        tag, pdu = _pdu(sent)
        number = tlv(2, parts(pdu)[0][1])
        status = tlv(2, bytes((self._next() & 0x13,))) if kind == _RESPONSE and tag else tlv(2, b"\0")
        body = tlv(kind, number + status + tlv(2, b"\0") + tlv(0x30, bindings))
        whole = parts(parts(sent)[0][1])
        if whole[0][1] != b"\3":
            return tlv(0x30, tlv(*whole[0]) + tlv(*whole[1]) + body)
        head = parts(whole[1][1])
        secure = parts(parts(whole[2][1])[0][1])
        told = self._bytes() if kind == _REPORT else b""  # an agent that is now this one, now that one
        engine = b"\x80\0\x1f\x88" + told if told else secure[0][1] or b"\x80\0\x1f\x88agent-1"
        user = b"" if kind == _REPORT else secure[3][1]
        security = tlv(4, engine) + tlv(2, b"\1") + tlv(2, bytes((self._next() & 0x7F,)))
        signs = self._next() & 1  # with a code that it has made up
        code = (self._bytes() + bytes(24))[:24] if signs else b""
        security = tlv(0x30, security + tlv(4, user) + tlv(4, code) + tlv(4, b""))
        front = tlv(0x30, tlv(*head[0]) + tlv(2, b"\5\xdc") + tlv(4, bytes((signs,))) + tlv(2, b"\3"))
        scoped = tlv(0x30, tlv(4, engine) + tlv(4, b"") + body)
        return tlv(0x30, tlv(*whole[0]) + front + tlv(4, security) + scoped)

    def _spoilt(self, answer: bytes) -> bytes:
        made = bytearray(answer)
        for _ in range(self._next() % 3 + 1):
            made[self._next() % len(made)] ^= self._next() or 1
        return bytes(made)


_UNKNOWN_ENGINE_BINDING = tlv(0x30, tlv(6, _UNKNOWN_ENGINE) + tlv(0x41, b"\1"))


def _pdu(sent: bytes) -> tuple[int, bytes]:
    """Tag and content of the PDU in a message of ours; an encrypted one has none that could be read."""
    whole = parts(parts(sent)[0][1])
    return whole[2] if whole[0][1] != b"\3" else parts(whole[3][1])[2]


class _Clock:
    def __init__(self, loop: _Net) -> None:
        self._loop = loop

    def now_ns(self) -> int:
        return int(self._loop.time() * 1e9)

    wall_ns = now_ns


def _session(data: bytes) -> None:
    who = _WHO[(data[0] if data else 0) % len(_WHO)]
    told: list[SnmpAnswer] = []
    errors: list[dict[str, Any]] = []
    loop = _Net()
    loop.agent = _LyingAgent(data[1:])
    loop.set_exception_handler(lambda _, context: errors.append(context))
    try:
        with patch("pysnmp.carrier.asyncio.dispatch.time", loop.time):
            loop.run_until_complete(asyncio.wait_for(_talk(loop, who, told), 3600))
    except TimeoutError:
        raise BrokenPromiseError("a talk that never ends") from None
    finally:
        loop.close()
    if errors:
        raise errors[0].get("exception") or BrokenPromiseError(str(errors[0].get("message")))
    _judge(who, told)


async def _talk(loop: _Net, who: Credentials, told: list[SnmpAnswer]) -> None:
    session = SnmpSession(
        Agent("127.0.0.1", 161, "SW-1"), who, cast("Any", _Clock(loop)), told.append, _MANNER
    )
    await session.get("sysName", [_NAME])
    rows = await session.column("ifDescr", _COLUMN)
    need(len(rows) <= _MANNER.rows + _MANNER.repetitions * 4, f"{len(rows)} rows")
    names = [row.oid for row in rows]
    need(names == sorted(set(names)), "rows that do not rise")
    need(all(name[: len(_COLUMN)] == _COLUMN for name in names), "a row of another column")
    await session.close()
    await asyncio.sleep(0)


def _judge(who: Credentials, told: list[SnmpAnswer]) -> None:
    need(told, "nothing is told")
    for one in told:
        need(isinstance(one.outcome, SnmpOutcome), f"outcome {one.outcome!r}")
        need(_SECRET not in f"{one.detail} {one.bindings!r}", "a secret is told")
        need(one.received_ns >= one.sent_ns, "an answer from before the request")
        if one.outcome is SnmpOutcome.DATA:
            need(not who.auth_key, "data of an agent that does not know the keys")
            try:
                decode(one.bindings)
            except BerError:
                raise BrokenPromiseError("data that the judge cannot read") from None


def _seeds() -> Iterator[bytes]:
    for who in range(len(_WHO)):
        yield bytes((who, *([0] * 40)))
        yield bytes((who, 4, 7, 1, 2, 3, 4, 5, 6, 7, 5, 0, 0, 0, 8, 0, 0, 16, 0, 0, 24, 0, 0))
        yield bytes((who, 3, 0, 1, 20, 255, 7, 7, 5, 4, 1, 2, 3, 4, 6, 2, 9, 9, 0, 3, 1))
        yield bytes((who, 4, 0, 5, 0, 4, 2, 2, 65, 66, 8, 3, 4, 1, 67, 0, 64, 0, 0))


TARGETS = (
    Target(
        name="snmp_session",
        promise="a talk with any agent ends, rows rise; of version 3 nothing counts without the right keys",
        run=_session,
        seeds=_seeds,
        longest=300,
        share=2.0,
        calls=10,
    ),
)
