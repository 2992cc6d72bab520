"""Ear: takes every frame that passes by, keeps what tells something new and counts the rest.

Bounded, whatever is on the wire: so many frames kept in all and of each sender, so many pairs counted. What
went over a bound is counted and told. A frame that only repeats an earlier one is not kept again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from probe.model.clock import RunClock
from probe.model.frames.arp import Arp
from probe.model.frames.dcp import Dcp
from probe.model.frames.ethernet import NOBODY, FrameError
from probe.model.frames.seen import Seen, read
from probe.model.network_evidence import Frame, Listening, SecretSeen, Talk

Keep = Callable[[Any], object]

#: Frames kept in all, of one sender, and of the very same bytes; owners of one address that are told apart;
#: pairs that are counted apart.
MOST_FRAMES, MOST_OF_ONE, MOST_ALIKE = 20_000, 1_000, 2
MOST_OWNERS = 16
MOST_PAIRS = 5_000
MOST_SECRETS = 500
SECOND_NS = 1_000_000_000


class _Tally:
    """Frames and octets of one pair and protocol."""

    __slots__ = ("first_ns", "frames", "last_ns", "octets")

    def __init__(self, at_ns: int) -> None:
        self.first_ns = at_ns
        self.last_ns = at_ns
        self.frames = 0
        self.octets = 0


class _Busiest:
    """Most of something in one second."""

    __slots__ = ("most", "now", "second")

    def __init__(self) -> None:
        self.most = self.now = self.second = 0

    def count(self, at_ns: int) -> None:
        second = at_ns // SECOND_NS
        if second != self.second:
            self.second, self.now = second, 0
        self.now += 1
        self.most = max(self.most, self.now)


class Ear:
    """What is heard on one interface. keep: takes evidence; tell: a line for people, once a matter."""

    def __init__(self, interface: str, clock: RunClock, keep: Keep, tell: Callable[[str], None]) -> None:
        self.interface = interface
        self._clock = clock
        self._keep = keep
        self._tell = tell
        self._started_ns = clock.now_ns()
        self.frames = 0
        self._octets = self._kept = self._uncounted = 0
        self._alike: dict[tuple[str, bytes], int] = {}
        self._of_one: dict[str, int] = {}
        self._pairs: dict[tuple[str, str, str], _Tally] = {}
        self._secrets: set[tuple[str, str, str, str]] = set()
        self._to_many, self._arps = _Busiest(), _Busiest()
        self._full = False
        #: IPv4 addresses by who claims them, as far as they were told by ARP or DCP.
        self.claims: dict[str, set[str]] = {}

    @property
    def senders(self) -> int:
        """How many hardware addresses have sent something, as far as they are counted."""
        return len({source for source, _, _ in self._pairs})

    def take(self, data: bytes, length: int, outgoing: bool) -> None:
        """Take one frame. Frames of this computer itself are not counted: it is not being surveyed."""
        if outgoing:
            return
        at_ns = self._clock.now_ns()
        self.frames += 1
        self._octets += length
        try:
            seen = read(data)
        except FrameError:
            return
        self._count(seen, length, at_ns)
        self._learn(seen)
        if seen.secret is not None:
            self._secret(seen, at_ns)
        if self._is_news(seen, data):
            self._kept += 1
            kept = data[: min(seen.keep, len(data))]
            self._keep(Frame(self.interface, at_ns, sent=False, length=length, data=kept))

    def _count(self, seen: Seen, length: int, at_ns: int) -> None:
        if seen.ethernet.is_for_many:
            self._to_many.count(at_ns)
        if seen.protocol == "arp":
            self._arps.count(at_ns)
        pair = (seen.ethernet.source, seen.ethernet.destination, seen.protocol)
        tally = self._pairs.get(pair)
        if tally is None:
            if len(self._pairs) >= MOST_PAIRS:
                self._uncounted += 1
                return
            tally = self._pairs[pair] = _Tally(at_ns)
        tally.frames += 1
        tally.octets += length
        tally.last_ns = at_ns

    def _learn(self, seen: Seen) -> None:
        content = seen.content
        if isinstance(content, Arp) and content.claims and content.sender_hardware != NOBODY:
            self._claim(content.claims, content.sender_hardware)
        elif isinstance(content, Dcp) and content.address not in ("", "0.0.0.0"):
            self._claim(content.address, seen.ethernet.source)

    def _claim(self, address: str, hardware: str) -> None:
        owners = self.claims.get(address)
        if owners is None:
            if len(self.claims) >= MOST_PAIRS:
                return
            owners = self.claims[address] = set()
        if len(owners) < MOST_OWNERS:
            owners.add(hardware)

    def _secret(self, seen: Seen, at_ns: int) -> None:
        """Keep once for each pair of addresses that a secret passed; never the secret."""
        secret = seen.secret
        assert secret is not None
        key = (secret.protocol, secret.what, seen.source_ip, seen.destination_ip)
        if key in self._secrets or len(self._secrets) >= MOST_SECRETS:
            return
        self._secrets.add(key)
        self._keep(
            SecretSeen(
                at_ns,
                self.interface,
                secret.protocol,
                seen.source_ip,
                seen.destination_ip,
                secret.what,
                secret.default,
            )
        )

    def _is_news(self, seen: Seen, data: bytes) -> bool:
        """Whether the frame tells something that no kept one tells."""
        if self._kept >= MOST_FRAMES:
            self._overflow()
            return False
        source = seen.ethernet.source
        if isinstance(seen.content, Arp) and not self._is_told(seen.content):
            return False
        what = data if seen.content is not None or seen.trouble else _who(seen)
        key = (source, what)
        alike = self._alike.get(key, 0)
        most = MOST_ALIKE if seen.content is not None else 1
        of_one = self._of_one.get(source, 0)
        if alike >= most or of_one >= MOST_OF_ONE:
            return False
        self._alike[key] = alike + 1
        self._of_one[source] = of_one + 1
        return True

    def _is_told(self, packet: Arp) -> bool:
        """False for a claim beyond those that are told apart: a storm of invented senders."""
        owners = self.claims.get(packet.claims, set())
        return not packet.claims or packet.sender_hardware in owners or packet.sender_hardware == NOBODY

    def _overflow(self) -> None:
        if not self._full:
            self._full = True
            self._tell(f"{MOST_FRAMES} frames are kept: from here on they are only counted.")

    def evidence(self, dropped: int, means: str, why: str = "") -> Iterator[Talk | Listening]:
        """What was counted so far, busiest pairs first."""
        now_ns = self._clock.now_ns()
        ranked = sorted(self._pairs.items(), key=lambda item: (-item[1].octets, item[0]))
        for (source, destination, protocol), tally in ranked:
            yield Talk(
                self.interface,
                source,
                destination,
                protocol,
                tally.frames,
                tally.octets,
                tally.first_ns,
                tally.last_ns,
            )
        yield Listening(
            self.interface,
            self._started_ns,
            now_ns,
            means,
            why,
            self.frames,
            self._octets,
            dropped,
            self._uncounted,
            self._to_many.most,
            self._arps.most,
        )


def _who(seen: Seen) -> bytes:
    """What a frame of other people's traffic tells: that this address is behind that hardware address."""
    return f"{seen.protocol if not seen.source_ip else 'ip'} {seen.source_ip}".encode()
