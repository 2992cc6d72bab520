"""Simulated gear: what sits behind one place (a device, a gateway with its units, a serial line); its moods.

Registers are those of the practice lineup (``probe.practice``), read at the virtual instant of the answer;
all bytes around them are made here. Every answer that is truly given to a request is noted with it, so that
it can be told afterwards whether the collector ever took the answer to one request for that to another.

What RTU cannot bear is not drawn, because no master can tell it: an answer later than twice the time-out, or
a second copy of an answer that comes while the next request waits (a serial frame carries no number).
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from probe.practice import manner
from probe.practice.server import Refusal, Unit
from tests.simulation.frames import Frame, cut_mbap, cut_rtu, mbap, rtu
from tests.simulation.network import Net, Wire

_TWISTS: tuple[Callable[[bytes], Any], ...] = (
    manner.other_unit, manner.transaction_zero, manner.other_transaction, manner.other_protocol, manner.short,
    manner.long, manner.odd, manner.other_function, manner.cut_header, manner.crumbled, manner.doubled,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Mood:
    """How a place behaves: parts of its requests (0 to 1) that meet each fault; times in seconds.

    late_s: how much later a late answer comes, at most. noise: as late, with noise in its place.
    windows: (from, to, what) in which it is otherwise: silent, refused, no route, reset, closed at once,
    no port, not permitted.
    """

    travel_s: float = 0.001
    jitter_s: float = 0.0
    think_s: float = 0.005
    lost: float = 0.0
    late: float = 0.0
    late_s: float = 1.0
    noise: float = 0.0
    twice: float = 0.0
    exception: float = 0.0
    closes: float = 0.0
    resets: float = 0.0
    cuts: float = 0.0
    twists: float = 0.0
    strays: float = 0.0
    stuffs: float = 0.0
    closes_each: bool = False
    idle_s: float = 0.0
    gateway_s: float = 0.3
    windows: tuple[tuple[float, float, str], ...] = ()


@dataclass(slots=True, kw_only=True)
class Place:
    """Implements ``network.Site``. units: by number. dead: those that never answer."""

    net: Net
    dice: random.Random
    mood: Mood
    units: Mapping[int, Unit]
    rtu: bool = False
    serial: bool = False
    bus: bool = False  # one request at a time, and it takes time
    shortest_timeout_s: float = 0.0
    silence_s: float = 0.0
    dead: frozenset[int] = frozenset()
    free_s: float = 0.0
    asked: dict[int, int] = field(default_factory=dict)

    def dial(self, now_s: float) -> str:
        """How an attempt to connect ends now."""
        return self.window(now_s) or "open"

    def window(self, now_s: float) -> str:
        """What is the matter now, empty for nothing special."""
        since_s = now_s - 1000.0
        return next((what for begin, end, what in self.mood.windows if begin <= since_s < end), "")

    def travel_s(self) -> float:
        """One way."""
        return self.mood.travel_s + self.mood.jitter_s * self.dice.random()

    def peer(self, wire: Wire) -> Talk:
        """What answers on a new connection."""
        return Talk(self, wire)


class Talk:
    """The gear's end of one connection."""

    def __init__(self, place: Place, wire: Wire) -> None:
        self._place = place
        self._wire = wire
        self._dice = place.dice
        self._asked = 0
        self._watch_idle()

    def ask(self, frame: bytes) -> None:
        """Take one whole request; answer it, or not, or wrongly."""
        place, mood = self._place, self._place.mood
        self._asked += 1
        self._watch_idle()
        now_s = place.net.loop.now_s
        request = cut_rtu(frame) if place.rtu else cut_mbap(frame)
        window = place.window(now_s)
        if request is None or self._hits(mood.lost) or window in ("silent", "no route", "no port"):
            return
        if window == "reset" or self._hits(mood.resets):
            self._wire.reset()
        elif window or self._hits(mood.closes):
            self._wire.hang_up()
        elif self._hits(mood.stuffs):
            self._wire.stuff()
        else:
            self._work(frame, request, now_s)

    def _work(self, frame: bytes, request: Frame, now_s: float) -> None:
        """Have the answer made when the device has thought about it."""
        place, mood = self._place, self._place.mood
        think_s = mood.think_s * (0.5 + self._dice.random())
        begin_s = max(now_s, place.free_s) if place.bus else now_s
        end_s = begin_s + think_s
        if self._hits(mood.noise):
            place.net.loop.bring(end_s, self._noise)
            end_s += mood.late_s * self._dice.random()
        elif self._hits(mood.late):
            end_s += mood.late_s * self._dice.random()
        elif place.bus:
            if request.unit in place.dead or request.unit not in place.units:
                end_s += mood.gateway_s
            place.free_s = end_s
        place.net.loop.bring(end_s, lambda: self._answer(frame, request))

    def _answer(self, frame: bytes, request: Frame) -> None:
        place, mood = self._place, self._place.mood
        pdu = self._pdu(request)
        if pdu is None:
            return
        honest = rtu(request.unit, pdu) if place.rtu else mbap(request.head, request.unit, pdu)
        place.net.tap.brought.add((frame, honest))
        if self._hits(mood.strays):
            self._stray()
        if self._hits(mood.twists):
            self._twisted(honest)
        elif self._hits(mood.cuts):
            self._wire.send(honest[: self._dice.randrange(1, len(honest))])
            if self._dice.random() < 0.5:
                self._wire.hang_up()
        elif self._hits(mood.twice):
            self._wire.send(honest + honest)
        else:
            self._wire.send(honest)
        if mood.closes_each:
            self._wire.hang_up()

    def _pdu(self, request: Frame) -> bytes | None:
        """What the device says, None for silence."""
        place = self._place
        unit = place.units.get(request.unit)
        if unit is None or request.unit in place.dead:
            gateway = place.bus and not place.rtu
            return bytes((request.pdu[0] | 0x80, 0x0B)) if gateway else None
        if self._hits(place.mood.exception):
            return bytes((request.pdu[0] | 0x80, self._dice.choice((1, 2, 3, 4, 5, 6, 8, 10, 11))))
        try:
            return answer_of(unit, request.pdu)
        except Refusal as refusal:
            return bytes((request.pdu[0] | 0x80, refusal.code))

    def _twisted(self, honest: bytes) -> None:
        """A wrong answer: of a device that lies about the frame, or bytes that the line has changed."""
        if not self._place.rtu:
            for sent in self._dice.choice(_TWISTS)(honest):
                self._wire.send(sent.frame, sent.pause_s)
            return
        kind = self._dice.randrange(4)
        if kind == 0:
            data = bytearray(honest)
            for _ in range(self._dice.randrange(1, 4)):
                data[self._dice.randrange(len(data))] ^= 1 << self._dice.randrange(8)
            self._wire.send(bytes(data))
        elif kind == 1:
            self._wire.send(rtu(honest[0] % 246 + 1, honest[1:-2]))
        elif kind == 2:
            self._wire.send(self._dice.randbytes(self._dice.randrange(1, 30)))
        else:
            at = self._dice.randrange(1, len(honest))
            self._wire.send(honest[:at])
            self._wire.send(honest[at:], 0.002)

    def _noise(self) -> None:
        self._wire.send(self._dice.randbytes(self._dice.randrange(1, 9)))

    def _stray(self) -> None:
        """Something nobody asked for, just before the answer."""
        if self._place.rtu:
            self._wire.send(rtu(self._dice.randrange(240, 248), b"\x03\x02\x00\x00"))
        else:
            self._wire.send(mbap(0xF000 + self._dice.randrange(0xFFF), 255, b"\x03\x02\x00\x00"))

    def _watch_idle(self) -> None:
        idle_s, asked = self._place.mood.idle_s, self._asked
        if idle_s:
            loop = self._place.net.loop
            loop.bring(loop.now_s + idle_s, lambda: self._asked != asked or self._wire.hang_up())

    def _hits(self, part: float) -> bool:
        return part > 0 and self._dice.random() < part


def answer_of(unit: Unit, pdu: bytes) -> bytes:
    """The right answer to a read. Raises Refusal."""
    if pdu[0] == 0x2B:
        return _identification(unit, pdu)
    start, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    values = unit.registers.read(pdu[0], start, count)
    if pdu[0] <= 2:
        data = bytearray((count + 7) // 8)
        for number, on in enumerate(values):
            data[number // 8] |= int(on) << number % 8
    else:
        data = bytearray(b"".join(int(value).to_bytes(2, "big") for value in values))
    return bytes((pdu[0], len(data))) + bytes(data)


def _identification(unit: Unit, pdu: bytes) -> bytes:
    """MODBUS Application Protocol Specification V1.1b3, 6.21; all objects fit into one answer here."""
    objects = unit.registers.identification()
    if not objects:
        raise Refusal(1)
    level, first = pdu[2], pdu[3]
    if level == 4 and first not in objects:
        raise Refusal(2)
    top = {1: 2, 2: 0x7F, 3: 0xFF, 4: first}[level]
    begin = first if first in objects else 0
    chosen = {number: text[:60] for number, text in objects.items() if begin <= number <= top}
    listed = b"".join(bytes((number, len(text))) + text for number, text in chosen.items())
    return bytes((0x2B, 0x0E, level, 0x83, 0, 0, len(chosen))) + listed
