"""Filters of captures: a few words that say which frames are kept.

    expression = term { "or" term }          term = factor { "and" factor }
    factor     = "not" factor | "(" expression ")" | word

    host ADDRESS · net ADDRESS/BITS · port NUMBER · ether ADDRESS · vlan [NUMBER]
    arp ip ip6 tcp udp icmp modbus lldp stp profinet broadcast multicast

The same words work on every system, because they are ours: no capture library is asked.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable, Iterator
from typing import NamedTuple

from probe.model.errors import InputError, Problem
from probe.model.frames import ethernet
from probe.wire.capture.pcapng import ETHERNET

_TOKEN = re.compile(r"\(|\)|[^\s()]+")
_DEEPEST = 32
Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class Facets(NamedTuple):
    """What a filter looks at. protocol: IP protocol, -1 for none; ports: empty behind a fragment."""

    target: str
    source: str
    type: int
    vlans: tuple[int, ...]
    addresses: tuple[bytes, ...]
    protocol: int
    ports: tuple[int, ...]


Test = Callable[[Facets], bool]
_TYPES = {"arp": 0x0806, "ip": 0x0800, "ip6": 0x86DD, "lldp": 0x88CC, "profinet": 0x8892}
_PROTOCOLS = {"tcp": (6,), "udp": (17,), "icmp": (1, 58)}
_WORDS = (
    "host, net, port, ether, vlan, arp, ip, ip6, tcp, udp, icmp, modbus, lldp, stp, profinet, "
    "broadcast, multicast"
)


def parse_filter(text: str) -> Callable[[bytes, int], bool] | None:
    """What says of a frame (its bytes, link type) whether it is kept; None for an empty text.

    Raises InputError with the place of what is wrong.
    """
    tokens = [(match.group(), match.start() + 1) for match in _TOKEN.finditer(text)]
    if not tokens:
        return None
    test = _Parser(text, tokens).whole()
    return lambda frame, link: test(facets(frame, link))


class _Parser:
    """Descends through the words; each method takes what it understands."""

    def __init__(self, text: str, tokens: list[tuple[str, int]]) -> None:
        self._text, self._tokens, self._at, self._depth = text, tokens, 0, 0

    def whole(self) -> Test:
        test = self._either()
        if self._at < len(self._tokens):
            raise self._wrong("this does not belong here", allowed="and, or, or the end")
        return test

    def _either(self) -> Test:
        tests = [self._all()]
        while self._accept("or"):
            tests.append(self._all())
        return tests[0] if len(tests) == 1 else lambda seen: any(test(seen) for test in tests)

    def _all(self) -> Test:
        tests = [self._factor()]
        while self._accept("and"):
            tests.append(self._factor())
        return tests[0] if len(tests) == 1 else lambda seen: all(test(seen) for test in tests)

    def _factor(self) -> Test:
        self._depth += 1
        if self._depth > _DEEPEST:
            raise self._wrong("the filter is nested too deeply", allowed=f"{_DEEPEST} levels")
        try:
            if self._accept("not"):
                inner = self._factor()
                return lambda seen: not inner(seen)
            if self._accept("("):
                inner = self._either()
                if not self._accept(")"):
                    raise self._wrong("a bracket is not closed", allowed=")")
                return inner
            return self._word()
        finally:
            self._depth -= 1

    def _word(self) -> Test:
        word = self._next(_WORDS).lower()
        if word in _TYPES:
            return lambda seen: seen.type == _TYPES[word]
        if word in _PROTOCOLS:
            return lambda seen: seen.protocol in _PROTOCOLS[word]
        plain = _PLAIN.get(word)
        if plain is not None:
            return plain
        valued = {
            "host": self._host,
            "net": self._net,
            "port": self._port,
            "ether": self._ether,
            "vlan": self._vlan,
        }
        if word not in valued:
            self._at -= 1
            raise self._wrong("there is no such word", allowed=_WORDS)
        return valued[word]()

    def _host(self) -> Test:
        value = self._next("an IP address")
        try:
            wanted = ipaddress.ip_address(value).packed
        except ValueError as error:
            self._at -= 1
            raise self._wrong("this is no IP address", allowed="as 10.20.1.11") from error
        return lambda seen: wanted in seen.addresses

    def _net(self) -> Test:
        value = self._next("a network")
        try:
            network: Network = ipaddress.ip_network(value, strict=False)
        except ValueError as error:
            self._at -= 1
            raise self._wrong("this is no network", allowed="as 10.20.1.0/24") from error
        size, base = network.max_prefixlen // 8, int(network.network_address)
        shift = network.max_prefixlen - network.prefixlen
        return lambda seen: any(
            len(one) == size and int.from_bytes(one, "big") >> shift == base >> shift
            for one in seen.addresses
        )

    def _port(self) -> Test:
        wanted = self._number("a port", 65_535)
        return lambda seen: wanted in seen.ports

    def _vlan(self) -> Test:
        if self._at < len(self._tokens) and self._tokens[self._at][0].isdecimal():
            wanted = self._number("a VLAN", 4095)
            return lambda seen: wanted in seen.vlans
        return lambda seen: bool(seen.vlans)

    def _ether(self) -> Test:
        value = self._next("a hardware address").lower().replace("-", ":")
        if not re.fullmatch(r"(?:[0-9a-f]{2}:){5}[0-9a-f]{2}", value):
            self._at -= 1
            raise self._wrong("this is no hardware address", allowed="as 02:00:5e:10:00:01")
        return lambda seen: value in (seen.source, seen.target)

    def _number(self, what: str, most: int) -> int:
        value = self._next(what)
        if not value.isdecimal() or int(value) > most:
            self._at -= 1
            raise self._wrong(f"this is not {what}", allowed=f"0 to {most}")
        return int(value)

    def _accept(self, word: str) -> bool:
        found = self._at < len(self._tokens) and self._tokens[self._at][0].lower() == word
        self._at += found
        return found

    def _next(self, wanted: str) -> str:
        if self._at == len(self._tokens):
            raise self._wrong("the filter ends too early", allowed=wanted)
        self._at += 1
        return self._tokens[self._at - 1][0]

    def _wrong(self, what: str, *, allowed: str) -> InputError:
        there = self._at < len(self._tokens)
        found, column = self._tokens[self._at] if there else ("(end)", len(self._text) + 1)
        problem = Problem(file="--filter", what=what, line=1, column=column, found=found, allowed=allowed)
        return InputError([problem])


_PLAIN: dict[str, Test] = {
    "modbus": lambda seen: seen.protocol == 6 and 502 in seen.ports,
    "stp": lambda seen: seen.target.startswith(("01:80:c2:00:00:00", "01:00:0c:cc:cc:cd")),
    "broadcast": lambda seen: seen.target == "ff:ff:ff:ff:ff:ff",
    "multicast": lambda seen: bool(seen.target) and bool(int(seen.target[:2], 16) & 1),
}


def facets(frame: bytes, link: int) -> Facets:
    """What a filter can ask about the frame; empty where it is too short to tell."""
    if link != ETHERNET:
        version = frame[0] >> 4 if frame else 0
        return _ip("", "", {4: 0x0800, 6: 0x86DD}.get(version, 0), (), frame)
    try:
        head = ethernet.decode(frame)
    except ethernet.FrameError:
        return Facets("", "", 0, (), (), -1, ())
    return _ip(head.destination, head.source, head.ethertype, head.vlans, head.payload)


def _ip(target: str, source: str, kind: int, vlans: tuple[int, ...], data: bytes) -> Facets:
    addresses, protocol, ports = (), -1, ()  # type: tuple[bytes, ...], int, tuple[int, ...]
    if kind == 0x0800 and len(data) >= 20:
        addresses, protocol = (data[12:16], data[16:20]), data[9]
        whole = not int.from_bytes(data[6:8], "big") & 0x1FFF
        ports = _ports(protocol, data[(data[0] & 15) * 4 :]) if whole else ()
    elif kind == 0x86DD and len(data) >= 40:
        addresses, protocol = (data[8:24], data[24:40]), data[6]
        ports = _ports(protocol, data[40:])
    elif kind == 0x0806 and len(data) >= 28:
        addresses = (data[14:18], data[24:28])
    return Facets(target, source, kind, vlans, addresses, protocol, ports)


def _ports(protocol: int, data: bytes) -> tuple[int, ...]:
    if protocol not in (6, 17) or len(data) < 4:
        return ()
    return (int.from_bytes(data[:2], "big"), int.from_bytes(data[2:4], "big"))


def words() -> Iterator[str]:
    """The words that a filter may hold, for the manual."""
    return iter(_WORDS.split(", "))
