"""What devices say of each other: one bus, one circuit with two instruments, a main and its feeders.

Each relation is a term of the likelihood over the devices that it joins, so that an explanation of one device
is also held against the others. Readings of different devices lie apart in time: widths allow for it.

Widths beyond the snapshots': common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from math import hypot, isfinite, log, nan, sqrt
from typing import NamedTuple

from probe.judge.diagnosis.density import FLOOR, fit
from probe.judge.diagnosis.flow import rotation_of
from probe.judge.diagnosis.inside import volts_of
from probe.judge.diagnosis.picture import Picture, is_single, middle, picture
from probe.judge.diagnosis.priors import Kind
from probe.judge.diagnosis.search import Explanation
from probe.judge.electrical.topology import Stand, Topology

#: One standard deviation, as a share, between readings of two devices: voltages, currents, powers.
VOLT_SHARE, AMP_SHARE, POWER_SHARE = 0.012, 0.025, 0.025
#: More for reactive power: instruments differ in what they call so.
REACTIVE_SHARE = 0.03
#: Unbalance in percent below which the phases turn as they should, or it was reckoned from sizes alone.
SMALL_UNBALANCE = 10.0


class Standing(NamedTuple):
    """What a device says of its circuit, under an explanation: line voltage, mean current, P + jQ (W, var),
    the sum of V x I (VA) and the half-width of its active power; NaN where it says nothing. rotation: of its
    bus, 1 or -1, 0.5 for a weak word, 0 for none."""

    volts: float
    amps: float
    power: complex
    apparent: float
    half: float
    rotation: float = 0.0


def standing(explanation: Explanation) -> Standing:
    """The standing of a device if the explanation holds."""
    seen = picture(explanation.read.values)
    lacks = Kind.MISSING in explanation.kinds
    lines, volts = ([v[0] for v in three if isfinite(v[0])] for three in (seen.lines, seen.volts))
    if lacks:  # the phases that arrive are the larger ones
        usual = max(lines, default=max(volts, default=nan) * sqrt(3))
    else:
        usual = middle(seen.lines) if lines else middle(seen.volts) * sqrt(3)
    amps = [abs(i[0]) for i in seen.amps if isfinite(i[0])]
    parts = [v * abs(i[0]) for v, i in zip(volts_of(seen), seen.amps, strict=True)]
    apparent = parts[0] if is_single(seen) else sum(parts)
    power = complex(nan, nan) if lacks else explanation.power
    half = seen.totals[0][1] if isfinite(seen.totals[0][1]) else 0.0
    return Standing(
        usual,
        sum(amps) / len(amps) if amps else nan,
        power,
        apparent,
        hypot(half, 2 * explanation.spread),
        _rotation(seen, explanation),
    )


def _rotation(seen: Picture, explanation: Explanation) -> float:
    """How the phases of the bus turn if the explanation holds: 1 as a-b-c, -1 as a-c-b, 0 for no word.

    A small unbalance tells it by half: some devices reckon it from sizes alone.
    """
    shown = float(rotation_of(seen)) or (0.5 if seen.unbalance[0] < SMALL_UNBALANCE else 0.0)
    at_device = (Kind.BOTH_SWAPPED, Kind.VOLTS_SWAPPED)
    return -shown if any(kind in at_device for kind in explanation.kinds) else shown


Standings = Mapping[str, Standing]


class Relation(NamedTuple):
    """tags: the devices that it joins; for a balance the main first. sort: bus, circuit or balance."""

    sort: str
    tags: tuple[str, ...]

    def log(self, of: Standings, nominal_v: float) -> float:
        """Logarithm of how well it holds; 0 where it says nothing."""
        if self.sort == "bus":
            return _bus(of[self.tags[0]], [of[tag] for tag in self.tags[1:]], nominal_v)
        if self.sort == "circuit":
            return _circuit(of[self.tags[0]], of[self.tags[1]])
        return _balance(of[self.tags[0]], [of[tag] for tag in self.tags[1:]])


def _bus(one: Standing, others: Iterable[Standing], nominal_v: float) -> float:
    """The voltage of one device against the middle of the others' on its bus."""
    others = list(others)
    shown = sorted(other.volts for other in others if other.volts > 0)
    if not shown or not one.volts > 0:
        return 0.0
    usual = shown[len(shown) // 2]
    return fit(log(one.volts / usual) / VOLT_SHARE) + _turning(one, others)


def _turning(one: Standing, others: list[Standing]) -> float:
    """The rotation that one device tells against the others' of its bus."""
    told = sum(other.rotation for other in others)
    if not told or not one.rotation or told * one.rotation > 0:
        return 0.0
    return -FLOOR * min(abs(one.rotation), abs(told), 1.0)


def _circuit(one: Standing, other: Standing) -> float:
    """Two instruments on one circuit: currents, and active and reactive power."""
    found = 0.0
    if one.amps > 0 and other.amps > 0:
        floor = 0.01 * max(one.amps, other.amps)
        found += fit(log((one.amps + floor) / (other.amps + floor)) / AMP_SHARE)
    if isfinite(one.power.real) and isfinite(other.power.real):
        size = max(one.apparent, other.apparent, _size(one.power), _size(other.power))
        if isfinite(size) and size > 0:
            width = hypot(POWER_SHARE * size, 0.5 * one.half, 0.5 * other.half)
            found += _apart(one.power - other.power, width, size)
    return found


def _apart(away: complex, width: float, size: float) -> float:
    """How well two powers agree that lie so far apart; 0 for a part that is not known."""
    active = fit(away.real / width) if isfinite(away.real) else 0.0
    reactive = fit(away.imag / hypot(width, REACTIVE_SHARE * size)) if isfinite(away.imag) else 0.0
    return active + reactive


def _size(power: complex) -> float:
    """Of a power of which a part may not be known."""
    return abs(power) if isfinite(power.imag) else abs(power.real)


def _balance(main: Standing, feeders: list[Standing]) -> float:
    """Active and reactive power of a main against the sum of its feeders'."""
    parts = [feeder.power for feeder in feeders]
    away = main.power - sum(parts)
    if not isfinite(away.real):
        return 0.0
    size = hypot(_size(main.power), *map(_size, parts))
    width = hypot(POWER_SHARE * size, 0.5 * main.half, *(0.5 * feeder.half for feeder in feeders))
    if not width:
        return 0.0
    return _apart(away, width, size)


def relations_of(topology: Topology, stands: Mapping[str, Stand]) -> tuple[Relation, ...]:
    """The relations between the devices that were seen. stands: of each of them, how its breaker stands."""
    return tuple(_relations(topology, stands))


def _relations(topology: Topology, known: Mapping[str, Stand]) -> Iterator[Relation]:
    parted = all(known.get(tie.tag) is Stand.OPEN for tie in topology.ties)
    for instruments in topology.instruments.values():
        there = [tag for tag in instruments if tag in known]
        for n, one in enumerate(there):
            for other in there[n + 1 :]:
                yield Relation("circuit", (one, other))
    for source, circuits in topology.feeders.items():
        is_open = known.get(source) is Stand.OPEN
        mains = [] if is_open else [tag for tag in topology.instruments.get(source, ()) if tag in known]
        carrying = [circuit for circuit in circuits if known.get(circuit) is not Stand.OPEN]
        feeders = [_first(topology, circuit, known) for circuit in carrying]
        if feeders and all(feeders) and parted:
            for main in mains:
                yield Relation("balance", (main, *(tag for tag in feeders if tag)))
        bus = [*mains, *(t for c in circuits for t in topology.instruments.get(c, ()) if t in known)]
        for tag in bus:
            others = [other for other in bus if other != tag]
            if others:
                yield Relation("bus", (tag, *others[:40]))


def _first(topology: Topology, circuit: str, known: Mapping[str, Stand]) -> str | None:
    return next((tag for tag in topology.instruments.get(circuit, ()) if tag in known), None)
