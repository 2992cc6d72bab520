"""A trial: one random lineup with what really hangs there, its map as drawn, and the bytes that it answers.

main (trip unit)  +  sometimes a meter of the main
  └ feeders, each with a trip unit or a meter, some with both
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

from probe.collect.device_plan import DevicePlan, plan_device
from probe.collect.plan import Read, ethernet_price
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.device_map import (
    Address,
    DeviceMap,
    ExpectedState,
    Kind,
    Ratings,
    System,
)
from probe.model.device_map import (
    Device as Drawn,
)
from probe.model.evidence import Anchor
from probe.model.lineup import Lineup
from probe.model.number_codec import IntegerDecoder
from probe.model.profile import IdentityRule, Point, Profile
from probe.model.scope import Scope
from probe.practice.show import measured_key, scaled
from probe.practice.trial.altered import altered
from probe.practice.trial.circuit import (
    Bus,
    Circuit,
    draw_bus,
    draw_circuit,
    draw_phase,
    summed,
    total,
    turned_round,
)
from probe.practice.trial.instrument import Instrument, Shown, draw_instrument, shown
from probe.practice.trial.registers import Device, Registers, Words, factors_for, replies

TRIP_UNITS = ("trip-unit-first", "trip-unit-second")
METERS = ("meter-float", "meter-integer", "sunspec-203", "sunspec-213")
CLASS_PERCENT = {Kind.TRIP_UNIT: 1.0, Kind.METER: 0.5}
#: How far a load moves from one reading to the next, a fraction; common practice, no source.
WANDER = 0.002


@dataclass(slots=True)
class Seat:
    """One device of a trial. profile: as it really is; judged: as the tool's profile has it.

    feeds: seats that measure what hangs below it. below: it is a main. twins: others on the same circuit.
    """

    tag: str
    kind: Kind
    profile: Profile
    judged: Profile
    circuit: Circuit
    instrument: Instrument
    fed_from: str = ""
    drawn_rating_a: int = 0
    below: bool = False
    feeds: list[Seat] = field(default_factory=list)
    twins: list[Seat] = field(default_factory=list)
    registers: Registers = field(default_factory=Registers)
    shows: Seat | None = None  # whose answers come at this address, if another's

    def judge_by(self, profile: Profile, word: str) -> None:
        """Let the tool read this device by another profile, under a name of its own."""
        self.judged = replace(profile, name=f"{profile.name} {word}".replace(" ", "-"))

    def has(self, quantity: str, phase: str = "") -> bool:
        """True if the profile has such a point."""
        return any(p.quantity == quantity and (not phase or p.phase == phase) for p in self.profile.points)


@dataclass(slots=True)
class Trial:
    """A lineup with whatever is wrong in it. map_voltage: nominal voltage as the map states it."""

    bus: Bus
    seats: list[Seat]
    map_voltage: float
    dice: random.Random
    proofs: bool
    seed: float
    single: bool = False

    def shows(self, seat: Seat) -> Shown:
        """What the instrument of a seat shows, in base units, before any register."""
        return shown(self.bus, seat.circuit, seat.instrument)

    def turn_round(self, seat: Seat) -> bool:
        """Let the power of a feeder flow backwards, in everything that measures it; the main sees the sum.

        False if the others are too small for it: then the main itself would flow strangely.
        """
        others = [s.circuit for s in self.seats if s.tag.startswith("52-F") and s is not seat]
        if any(s.below for s in self.seats) and sum(abs(c.currents[0]) for c in others) < 2.5 * abs(
            seat.circuit.currents[0]
        ):
            return False
        turned = turned_round(seat.circuit)
        for one in (seat, *seat.twins):
            one.circuit = turned
        circuits = [s.circuit for s in self.seats if s.tag.startswith("52-F")]
        for one in self.seats:
            if one.below:
                one.circuit = replace(summed(circuits, one.circuit.harmonics), rating_a=one.circuit.rating_a)
        return True

    def steps(self, seat: Seat, point: Point, power: int) -> float:
        """How many steps of its register the point's value is, times ten to the power; many for a float."""
        usual = shown(self.bus, seat.circuit, seat.instrument)
        decoder = point.decoder
        if not isinstance(decoder, IntegerDecoder) or point.scale_factor:
            return 1e9
        value = abs(scaled(point, usual.get(measured_key(point), 1e9))) * 10.0**power
        return value * decoder.scale.divisor / decoder.scale.gain

    def direction_is_told(self, seat: Seat) -> bool:
        """True if another instrument tells which way the power of this seat flows."""
        return bool(seat.twins) or any(one.below for one in self.seats)

    def exchange(self, one: Seat, other: Seat) -> None:
        """Each of two devices answers at the other's address."""
        one.shows, other.shows = other, one

    def answer_for(self, one: Seat, other: Seat) -> None:
        """The device of ``one`` answers at the address of ``other`` as well."""
        other.shows = one

    # what the tool gets -------------------------------------------------------------------------------

    def lineup(self) -> Lineup:
        """The map as drawn, with the tool's profiles."""
        wiring: Literal["wye", "delta", "single"] = "single" if self.single else "wye"
        wiring = "delta" if self.bus.ground else wiring
        system = System(voltage_v=self.map_voltage, frequency_hz=self.bus.nominal_hz, wiring=wiring)
        drawn = DeviceMap(
            format="buswitness-map/1",
            site="Tarn Hollow Water Works",
            lineup="MSB-1",
            system=system,
            devices=tuple(self._drawn(seat, n) for n, seat in enumerate(self.seats)),
        )
        profiles = {seat.judged.name: seat.judged for seat in self.seats}
        return Lineup(map=drawn, profiles=profiles, map_texts=(), profile_texts=())

    def _drawn(self, seat: Seat, number: int) -> Drawn:
        rating = float(seat.drawn_rating_a)
        breaker = seat.kind is Kind.TRIP_UNIT
        return Drawn(
            tag=seat.tag,
            kind=seat.kind,
            profile=seat.judged.name,
            section="1",
            address=Address(host=f"127.0.1.{number + 1}"),
            fed_from=seat.fed_from or None,
            state=ExpectedState(energized=True),
            ratings=Ratings(sensor_a=rating) if breaker else Ratings(ct_primary_a=rating),
        )

    def evidence(self) -> dict[str, DeviceEvidence]:
        """What every device answered, by tag."""
        told = {}
        for number, seat in enumerate(self.seats):
            begin = self.dice.uniform(0.0, 0.3)
            rows = replies(
                seat.tag, _plan(seat.judged), self._words(seat.shows or seat, seat.tag), (begin, begin + 2.0),
                1000 * (number + 1),
            )  # fmt: skip
            told[seat.tag] = DeviceEvidence(tag=seat.tag, exchanges=tuple(rows))
        return told

    def _words(self, seat: Seat, address: str) -> Callable[[float, Read], Words]:
        """The registers of the device of a seat as they stand at an instant, read at an address."""
        rating = float(seat.circuit.rating_a)
        ratings = {"frame": rating, "sensor": rating, "plug": rating, "ct_primary": rating}
        ratings |= {"ct_secondary": 5, "vt_primary": self.bus.nominal_v}
        usual = shown(self.bus, seat.circuit, seat.instrument)
        device = Device(
            seat.profile, seat.registers, ratings, factors_for(seat.profile, usual),
            start=seat.circuit.rating_a * random.Random(f"{self.seed}/{seat.tag}").uniform(5e4, 2e5),
        )  # fmt: skip
        dice = random.Random(f"{self.seed}/{address}")

        def at(seconds: float, asked: Read) -> Words:
            moved = 1 + dice.gauss(0, WANDER)
            circuit = seat.circuit.times(moved)
            return device.words(shown(self.bus, circuit, seat.instrument), 60.0 + seconds, asked)

        return at


RUN = RunEvidence(anchors=((0, Anchor(0, 1_773_480_413_000_000_000)),))


def scope_of(trial: Trial) -> Scope:
    """All devices of the trial."""
    return Scope(tags=tuple(seat.tag for seat in trial.seats))


_plans: dict[int, tuple[Profile, DevicePlan]] = {}


def _plan(profile: Profile) -> DevicePlan:
    known = _plans.get(id(profile))
    if known is None or known[0] is not profile:
        plan = plan_device(profile, 0, ethernet_price(profile.limits))
        known = _plans[id(profile)] = (profile, plan)
    return known[1]


class Stock:
    """The profiles of trials, made once: without identity and clock, with or without their proof points."""

    def __init__(self, get: Callable[[str], Profile]) -> None:
        names = (*TRIP_UNITS, *METERS)
        plain = {
            (name, proofs): _plain(get(name), proofs=proofs) for name in names for proofs in (True, False)
        }
        self._known = {(*key, False): profile for key, profile in plain.items()}
        self._known |= {(*key, True): of_one_phase(profile) for key, profile in plain.items()}

    def get(self, name: str, *, proofs: bool, single: bool = False) -> Profile:
        """The profile of a name; of a single phase it knows no point of another."""
        return self._known[name, proofs, single]


def of_one_phase(profile: Profile) -> Profile:
    """The profile without its points of phases B and C, between phases, and averages of them."""
    others = ("b", "c", "ab", "bc", "ca", "average")
    gone = {p.name for p in profile.points if p.phase in others or p.quantity == "unbalance"}
    made = altered(profile, "one phase", lambda point: None if point.name in gone else point)
    return replace(made, energized_points=("voltage_a",)) if "voltage_a" in made.by_name else made


def _plain(profile: Profile, *, proofs: bool) -> Profile:
    fresh = profile.freshness
    points = () if fresh is None else tuple(n for n in fresh.points if n != "clock")
    altered = hashlib.sha256(f"{profile.sha256} for trials, proofs {proofs}".encode()).hexdigest()
    return replace(
        profile,
        sha256=altered,  # decoders are kept by it: an altered profile must not pass for the whole one
        identity=IdentityRule(),
        proof=profile.proof if proofs else (),
        clock=None,
        freshness=None if fresh is None or not points else replace(fresh, points=points),
        points=tuple(p for p in profile.points if p.type != "clock"),
        by_name={p.name: p for p in profile.points if p.type != "clock"},
        states=(),
    )


def draw(
    dice: random.Random,
    stock: Stock,
    *,
    light: bool = False,
    proofs: bool | None = None,
    single: bool = False,
) -> Trial:
    """A healthy trial. light: the loads lie under a tenth of the ratings. proofs: whether the profiles have
    their proof points; None: in half of the trials. single: a system of one phase."""
    bus = draw_phase(dice) if single else draw_bus(dice)
    trip_units = TRIP_UNITS[1:] if single else TRIP_UNITS  # the first shows no voltage to neutral
    proofs = dice.random() < 0.5 if proofs is None else proofs
    circuits = [draw_circuit(dice, bus, _loading(dice, light=light)) for _ in range(dice.randint(2, 5))]
    main = total(dice, circuits)
    seats: list[Seat] = []

    def seat(tag: str, kind: Kind, circuit: Circuit, fed_from: str) -> Seat:
        named = dice.choice(trip_units if kind is Kind.TRIP_UNIT else METERS)
        profile = stock.get(named, proofs=proofs, single=single)
        instrument = draw_instrument(dice, CLASS_PERCENT[kind], profile.conventions)
        made = Seat(tag, kind, profile, profile, circuit, instrument, fed_from, circuit.rating_a)
        seats.append(made)
        return made

    if dice.random() < 0.75:  # the rest are feeders whose main is not in the map
        above = seat("52-M1", Kind.TRIP_UNIT, main, "")
        above.below = True
        if dice.random() < 0.5:
            _twins(above, seat("MTR-M1", Kind.METER, main, "52-M1"), below=True)
    for n, circuit in enumerate(circuits, 1):
        feeder = seat(f"52-F{n}", Kind.TRIP_UNIT, circuit, "52-M1" if seats and seats[0].below else "")
        if dice.random() < 0.35:
            _twins(feeder, seat(f"MTR-F{n}", Kind.METER, circuit, f"52-F{n}"), below=False)
    feeders = [s for s in seats if s.tag.startswith("52-F")]
    for one in seats:
        one.feeds = feeders if one.below else []
    return Trial(bus, seats, bus.nominal_v, dice, proofs, dice.random(), single)


def _twins(one: Seat, other: Seat, *, below: bool) -> None:
    one.twins.append(other)
    other.twins.append(one)
    other.below = below


def _loading(dice: random.Random, *, light: bool) -> float:
    return dice.uniform(0.01, 0.09) if light else dice.uniform(0.12, 0.9)


def loaded(seats: Iterable[Seat], least: float) -> list[Seat]:
    """Those whose current is above this part of their rating."""
    return [seat for seat in seats if seat.circuit.loading > least]
