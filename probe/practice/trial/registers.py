"""The registers of one device of a trial, and the replies that carry them.

Points get their bytes from the profile's own encoders. Faults between device and profile are put in here:
other words first, registers one address on, another type, another power of ten.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from probe.collect.device_plan import DevicePlan, Step
from probe.collect.plan import Read
from probe.model.evidence import Exchange, Framing, Outcome, Purpose
from probe.model.number_codec import FactoredDecoder
from probe.model.profile import Area, Decoder, Point, Profile
from probe.model.reading import Value
from probe.practice.show import measured_key, scaled
from probe.practice.trial.instrument import Shown

_PHASELESS = ("frequency", "unbalance", "distortion")
ENERGY = "energy_"
#: Registers by area and PDU address.
Words = dict[tuple[Area, int], int]


@dataclass(slots=True)
class Registers:
    """How a device's registers differ from its profile.

    orders: point to the letters in which its bytes really come. decoders: point to how it is really
    encoded. powers: point to the power of ten by which its number is larger. shift: addresses further on.
    """

    orders: dict[str, str] = field(default_factory=dict)
    decoders: dict[str, Decoder] = field(default_factory=dict)
    powers: dict[str, int] = field(default_factory=dict)
    shift: int = 0


def is_electrical(point: Point) -> bool:
    """True for what an instrument of a trial shows."""
    measured = point.quantity in (
        "voltage_line", "voltage_phase", "current", "power_active", "power_reactive", "power_apparent",
        "power_factor", *_PHASELESS, "angle",
    )  # fmt: skip
    return measured and (bool(point.phase) or point.quantity in _PHASELESS)


def factors_for(profile: Profile, shown: Shown) -> dict[str, int]:
    """Exponents for the scale-factor points: the finest under which three times the values still fit."""
    chosen: dict[str, int] = {}
    for point in profile.points:
        if point.scale_factor:
            value = abs(scaled(point, shown.get(measured_key(point), 1e6 if ENERGY in point.quantity else 1)))
            most = 2**31 - 1 if point.count == 2 else 2**15 - 2
            need = next(n for n in range(-3, 10) if 3 * value / 10.0**n < most)
            chosen[point.scale_factor] = max(chosen.get(point.scale_factor, -3), need)
    return chosen


@dataclass(slots=True)
class Device:
    """One device of a trial: profile, what differs, ratings as it shows them, exponents."""

    profile: Profile
    registers: Registers
    ratings: Mapping[str, float]
    exponents: Mapping[str, int]
    start: float

    def words(self, shown: Shown, seconds: float, asked: Read) -> Words:
        """The registers of one request as they stand, by area and PDU address (and some beside them)."""
        image: Words = {}
        first, end = asked.start - self.registers.shift, asked.end - self.registers.shift
        for point in self.profile.points:
            if point.area is not asked.area or point.start >= end or point.end <= first:
                continue
            raw = self._raw(point, shown, seconds)
            step = 1 if point.area.is_bits else 2
            for n in range(len(raw) // step):
                word = int.from_bytes(raw[n * step : (n + 1) * step], "big")
                image[point.area, point.start + n + self.registers.shift] = word
        return image

    def _raw(self, point: Point, shown: Shown, seconds: float) -> bytes:
        value = self._value(point, shown, seconds)
        decoder = self.registers.decoders.get(point.name, point.decoder)
        if isinstance(decoder, FactoredDecoder) and not isinstance(value, str) and value is not None:
            raw = decoder.encode_with(value, self.exponents[point.scale_factor])
        else:
            raw = _fitting(decoder, value)
        letters = self.registers.orders.get(point.name)
        return raw if letters is None else _relaid(raw, point.order, letters)

    def _value(self, point: Point, shown: Shown, seconds: float) -> Value | None:  # noqa: PLR0911 - a table
        proof = {one.point: one.equals for one in self.profile.proof}
        if point.name in proof:
            return proof[point.name]
        if point.name in self.exponents:
            return self.exponents[point.name]
        if is_electrical(point):
            seen = shown[measured_key(point)] * 10.0 ** self.registers.powers.get(point.name, 0)
            return scaled(point, seen)
        if point.quantity.startswith(ENERGY):
            return scaled(point, self._energy(point, shown, seconds))
        if point.quantity == "rating":
            return next((v for word, v in self.ratings.items() if word in point.name), point.low or 1)
        if point.type == "text":
            return "T"
        if point.moves or point.quantity in ("heartbeat", "uptime"):
            return 1000 + int(10 * seconds)
        if point.values:
            loud = {raw for alarm in self.profile.alarms if alarm.point == point.name for raw in alarm.active}
            return next(raw for raw in sorted(point.values) if raw not in loud)
        return point.low if point.low is not None and point.low > 0 else 0

    def _energy(self, point: Point, shown: Shown, seconds: float) -> float:
        word = point.quantity.split("_")[1]
        phase = point.phase or "total"
        power = shown.get((f"power_{word}", phase), shown.get((f"power_{word}", "total"), 0.0))
        out = point.quantity.endswith("export") or point.quantity[-2:] in ("q2", "q3", "q4")
        flown = max(-power if out else power, 0.0) * seconds / 3600
        return (0.0 if out else self.start / (1 if phase == "total" else 3)) + flown


def _fitting(decoder: Decoder, value: Value | None) -> bytes:
    """The bytes of the value. Raises ValueError where it does not fit: the trial is then drawn again."""
    return decoder.encode(value)


def _relaid(raw: bytes, written: str, letters: str) -> bytes:
    """The number's bytes in another order; both orders as letters, A the most significant byte."""
    of_letter = dict(zip(written, raw, strict=True))
    return bytes(of_letter[letter] for letter in letters)


def replies(
    tag: str,
    plan: DevicePlan,
    show: Callable[[float, Read], Words],
    times: tuple[float, float],
    first_sequence: int,
) -> list[tuple[int, Exchange]]:
    """The exchanges of a short audit: proof and poll in the first round, freshness in the second.

    show: registers at an instant (seconds since the start of the run) for a request. times: when the two
    rounds begin.
    """
    made: list[tuple[int, Exchange]] = []
    rounds = (
        (times[0], 0, (*plan.identity, *plan.proof, *plan.poll)),
        (times[1], 1, plan.freshness),
    )
    for begin, number, steps in rounds:
        for n, step in enumerate(steps):
            at = begin + 0.012 * n
            made.append((first_sequence + len(made), _exchange(tag, step, number, at, show(at, step.read))))
    return made


def _exchange(tag: str, step: Step, number: int, at: float, words: Words) -> Exchange:
    function, start, count = struct.unpack(">BHH", step.pdu[:5])
    cells = [words.get((step.read.area, address), 0) for address in range(start, start + count)]
    data = _packed(cells, bits=step.read.area.is_bits)
    request = struct.pack(">HHHB", number + 1, 0, 6, 255) + step.pdu
    response = struct.pack(">HHHBBB", number + 1, 0, 3 + len(data), 255, function, len(data)) + data
    sent = int(at * 1e9)
    return Exchange(
        tag, step.purpose or Purpose.POLL, Framing.MBAP, number, 1, sent, sent + 6_000_000,
        Outcome.DATA, 0, request, response,
    )  # fmt: skip


def _packed(cells: Iterable[int], *, bits: bool) -> bytes:
    if not bits:
        return b"".join(cell.to_bytes(2, "big") for cell in cells)
    listed = list(cells)
    return sum(cell << n for n, cell in enumerate(listed)).to_bytes((len(listed) + 7) // 8, "little")
