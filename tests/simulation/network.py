"""The simulated network: sites that can be reached or not, sockets, and a tap on every byte that we send.

Below the links: ``TcpLink``, ``RtuTcpLink`` and ``SerialLink`` run as they are, on these transports. A stream
keeps its order (TCP and serial lines do); answers out of order come from the gear (``gear``).
"""

from __future__ import annotations

import asyncio
import errno
import random
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol

from tests.simulation.frames import cut_mbap, cut_rtu, is_read
from tests.simulation.loop import VirtualLoop

Place = tuple[str, int]


class Sent(NamedTuple):
    """One request on the wire, as the tap saw it. socket: number of the connection."""

    at_ns: int
    place: Place
    socket: int
    frame: bytes


class Dialled(NamedTuple):
    """One attempt of ours to connect."""

    at_ns: int
    place: Place
    socket: int


class Peer(Protocol):
    """What sits at the other end of one connection."""

    def ask(self, frame: bytes) -> None:
        """Take one whole request."""


class Site(Protocol):
    """What can be connected to."""

    rtu: bool
    serial: bool

    def dial(self, now_s: float) -> str:
        """open, refused, silent, no route, closed at once, or the name of an OSError for a serial port."""

    def travel_s(self) -> float:
        """How long bytes take one way."""

    def peer(self, wire: Wire) -> Peer:
        """What answers on a new connection."""

    shortest_timeout_s: float


@dataclass
class Tap:
    """All that left this computer, and whatever must never be seen."""

    sent: list[Sent] = field(default_factory=list)
    dialled: list[Dialled] = field(default_factory=list)
    brought: set[tuple[bytes, bytes]] = field(default_factory=set)  # request and the answer truly given to it
    functions: dict[int, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


class Net:
    """Sites by place. names: host names to addresses (none: does not resolve)."""

    def __init__(self, loop: VirtualLoop, dice: random.Random) -> None:
        self.loop = loop
        self.dice = dice
        self.sites: dict[Place, Site] = {}
        self.names: dict[str, str] = {}
        self.tap = Tap()
        self.wires: list[Wire] = []

    def now_ns(self) -> int:
        """As the run's clock."""
        return round((self.loop.now_s - 1000.0) * 1e9)

    async def pause(self, seconds: float) -> None:
        """Let time pass in the network (not a timer of ours)."""
        came = self.loop.create_future()
        self.loop.bring(self.loop.now_s + seconds, lambda: came.done() or came.set_result(None))
        await came

    async def connect(self, make: Callable[[], asyncio.Protocol], place: Place) -> tuple[Any, Any]:
        """One connection, or what a system raises instead."""
        site = self.sites.get(place)
        number = len(self.tap.dialled)
        self.tap.dialled.append(Dialled(self.now_ns(), place, number))
        if any(wire.place == place and not wire.is_closing() for wire in self.wires):
            self.tap.wrong.append(f"a second socket to {place} at {self.now_ns()} ns")
        mood = site.dial(self.loop.now_s) if site is not None else "no route"
        if site is None or mood not in ("open", "closed at once"):
            return await self._fail(mood)
        await self.pause(2 * site.travel_s())
        protocol = make()
        wire = Wire(self, site, place, number, protocol)
        self.wires.append(wire)
        wire.peer = site.peer(wire)
        protocol.connection_made(wire)
        if mood == "closed at once":
            wire.hang_up()
        return wire, protocol

    async def _fail(self, mood: str) -> tuple[Any, Any]:
        if mood == "silent":
            await self.loop.create_future()  # until we give it up
        await self.pause(self.dice.uniform(0.0005, 0.01))
        if mood == "refused":
            raise ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused")
        if mood == "reset":
            raise ConnectionResetError(errno.ECONNRESET, "Connection reset by peer")
        if mood == "no port":
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        if mood == "not permitted":
            raise PermissionError(errno.EACCES, "Permission denied")
        raise OSError(errno.EHOSTUNREACH, "No route to host")

    async def resolve(self, host: str, port: int) -> list[Any]:
        """Addresses of a name."""
        await self.pause(self.dice.uniform(0.001, 0.3))
        if host not in self.names:
            raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (self.names[host], port))]


class Wire(asyncio.Transport):
    """Our end of one connection, as asyncio's transports behave."""

    def __init__(self, net: Net, site: Site, place: Place, number: int, protocol: asyncio.Protocol) -> None:
        super().__init__()
        self.net, self.site, self.place, self.number = net, site, place, number
        self.peer: Peer
        self._protocol = protocol
        self._closing = False
        self._lost = False
        self._stuffed = False
        self._ordered_s = 0.0  # when the last byte on its way to us arrives
        self._open: tuple[float, int] | None = None  # when the request in flight went; its number
        self._heard_s = 0.0

    # -- what a link calls ------------------------------------------------------------------------------

    def write(self, data: Any) -> None:
        if self._lost or self._closing:
            return
        frame, net = bytes(data), self.net
        self._tapped(frame)
        if self._stuffed:
            return
        arrives_s = net.loop.now_s + self.site.travel_s()
        net.loop.bring(arrives_s, lambda: self._lost or self.peer.ask(frame))

    def can_write_eof(self) -> bool:
        return not self.site.serial

    def write_eof(self) -> None:
        """The other side sees our end and closes, if nothing is owed; else when it has answered."""
        travel_s = self.site.travel_s() + self.net.dice.uniform(0.0, 0.2)
        self.net.loop.bring(self.net.loop.now_s + travel_s, self.hang_up)

    def close(self) -> None:
        if not self._closing:
            self._closing = True
            if not self.site.serial:  # pymodbus's serial transport does not tell of an end that was asked for
                self.net.loop.call_soon(self._lose, None)
            else:
                self._lost = True

    def abort(self) -> None:
        self.close()

    def is_closing(self) -> bool:
        return self._closing

    def get_write_buffer_size(self) -> int:
        return 64 if self._stuffed else 0

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        serial = self.site.serial
        return ("10.20.0.9", 40_000 + self.number) if name == "sockname" and not serial else default

    # -- what the gear calls ----------------------------------------------------------------------------

    def send(self, data: bytes, after_s: float = 0.0) -> None:
        """Bytes towards us, behind all that is on its way already."""
        self._arrive(lambda: self._protocol.data_received(data), after_s)

    def hang_up(self, after_s: float = 0.0) -> None:
        """The other side closes in good order."""
        self._arrive(lambda: self._end(None), after_s)

    def reset(self, after_s: float = 0.0) -> None:
        """The other side resets; what was on its way may be lost."""
        error = ConnectionResetError(errno.ECONNRESET, "Connection reset by peer")
        self.net.loop.bring(self.net.loop.now_s + after_s + self.site.travel_s(), lambda: self._end(error))

    def stuff(self) -> None:
        """The other side reads nothing any more."""
        self._stuffed = True

    def _arrive(self, what: Callable[[], object], after_s: float) -> None:
        loop = self.net.loop
        self._ordered_s = max(self._ordered_s + 1e-7, loop.now_s + after_s + self.site.travel_s())
        loop.bring(self._ordered_s, lambda: self._come(what))

    def _come(self, what: Callable[[], object]) -> None:
        if not (self._lost or self._closing):
            self._open = None
            what()

    def _end(self, error: Exception | None) -> None:
        if self._lost or self._closing:
            return
        self._closing = True
        self._lose(error)

    def _lose(self, error: Exception | None) -> None:
        if not self._lost:
            self._lost = True
            self._protocol.connection_lost(error)

    # -- the tap ----------------------------------------------------------------------------------------

    def _tapped(self, frame: bytes) -> None:
        """Note one write; whatever must never happen is said at once."""
        tap, now_s = self.net.tap, self.net.loop.now_s
        tap.sent.append(Sent(self.net.now_ns(), self.place, self.number, frame))
        whole = cut_rtu(frame) if self.site.rtu else cut_mbap(frame)
        if whole is None:
            tap.wrong.append(f"not one whole frame to {self.place}: {frame.hex(' ')}")
            return
        function = whole.pdu[0]
        tap.functions[function] = tap.functions.get(function, 0) + 1
        if not is_read(whole.pdu):
            tap.wrong.append(f"NOT A READ to {self.place}: {frame.hex(' ')}")
        if self._open is not None and now_s - self._open[0] < self.site.shortest_timeout_s - 0.002:
            tap.wrong.append(
                f"a second request in flight to {self.place}, {now_s - self._open[0]:.4f} s after the first"
            )
        self._open = (now_s, len(tap.sent))
