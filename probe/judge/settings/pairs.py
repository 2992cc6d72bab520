"""Pairs of breakers in series, and how each pair coordinates: as studied, as found, in maintenance mode."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from probe.desk.curve_from_map import studied_band
from probe.judge.electrical.topology import topology_of
from probe.judge.settings.coordination import Overlap, beyond, overlaps
from probe.judge.settings.found import AsFound
from probe.model.device_map import Device, DeviceMap, Kind
from probe.model.lineup import Lineup
from probe.model.protection import FUNCTIONS, PHASE_FUNCTIONS, FunctionSetting, RatingBases
from probe.model.trip_band import NoBandError, TripBand, band_of

#: Phase current is seen by the phase functions; a ground fault's current by these and the ground function.
DOMAINS: Mapping[str, tuple[str, ...]] = {"phase": PHASE_FUNCTIONS, "ground": FUNCTIONS}


class Pair(NamedTuple):
    """Two breakers in series: the one nearer to the load, and the one that feeds it."""

    lower: str
    upper: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Coordination:
    """One pair for one sort of fault. why: why it could not be looked at, "" if it could.

    up_to_a: available fault current. studied, found: where the upper breaker may trip first. lost: of these,
    what the study does not have. given_up: what maintenance mode of the upper one adds by its purpose, as
    found; None where it has no such mode or it cannot be told.
    """

    pair: Pair
    domain: str
    up_to_a: float = 0.0
    studied: tuple[Overlap, ...] = ()
    found: tuple[Overlap, ...] = ()
    lost: tuple[Overlap, ...] = ()
    given_up: tuple[Overlap, ...] | None = None
    why: str = ""


def pairs_of(system: DeviceMap) -> tuple[Pair, ...]:
    """Every trip unit with the trip unit that feeds it; ties between the mains and feeders that they join."""
    by_tag = system.by_tag
    fed = {d.tag: up for d in system.devices if _is_breaker(d) and (up := _above(d, by_tag)) is not None}
    pairs = [Pair(lower, upper) for lower, upper in fed.items()]
    for tie in topology_of(system).ties:
        mains = [main for main in tie.joins if main in by_tag and _is_breaker(by_tag[main])]
        pairs += [Pair(tie.tag, main) for main in mains]
        pairs += [Pair(lower, tie.tag) for lower, upper in fed.items() if upper in mains]
    return tuple(dict.fromkeys(pairs))


def _is_breaker(device: Device) -> bool:
    return device.kind is Kind.TRIP_UNIT


def _above(device: Device, by_tag: Mapping[str, Device]) -> str | None:
    """The nearest trip unit up the feed; the map has no circles."""
    tag = device.fed_from
    while tag is not None and tag in by_tag:
        if _is_breaker(by_tag[tag]):
            return tag
        tag = by_tag[tag].fed_from
    return None


def fault_current_a(system: DeviceMap, pair: Pair) -> float | None:
    """Available fault current behind the lower breaker, amperes; None where the map does not state it."""
    own = system.by_tag[pair.lower].fault_current_ka
    known = own if own is not None else system.system.fault_current_ka
    return None if known is None else known * 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Makes the bands of devices. found: as-found settings by tag; a device that was not read is missing."""

    lineup: Lineup
    found: Mapping[str, AsFound]

    def studied(self, tag: str, group: str, domain: str) -> TripBand:
        """The band that the study asks for. Raises NoBandError."""
        return studied_band(self.lineup, tag, group, DOMAINS[domain])

    def as_found(self, tag: str, group: str, domain: str) -> TripBand:
        """The band of the settings found. Raises NoBandError."""
        found = self.found.get(tag)
        if found is None:
            raise NoBandError(f"the settings of {tag} were not read")
        if group not in found.groups:
            raise NoBandError(f"{tag} has no {group} group")
        bases = RatingBases(sensor_a=found.sensor.number, plug_a=found.plug.number)
        return self._band(tag, group, domain, found.groups[group].functions, bases)

    def _band(
        self, tag: str, group: str, domain: str, settings: Mapping[str, FunctionSetting], bases: RatingBases
    ) -> TripBand:
        rule = self.lineup.profile_of(self.lineup.map.by_tag[tag]).settings
        if rule is None or group not in rule.groups:
            raise NoBandError(f"the profile of {tag} does not say how its {group} group trips")
        try:
            return band_of(rule.groups[group], settings, bases, DOMAINS[domain])
        except NoBandError as error:
            raise NoBandError(f"{tag}: {error}") from None


def coordinate(bands: Bands, pair: Pair, domain: str) -> Coordination:
    """How a pair coordinates for one sort of fault."""
    system = bands.lineup.map
    up_to_a = fault_current_a(system, pair)
    if up_to_a is None:
        why = "the map states no fault_current_ka, so it is not known how far to look"
        return Coordination(pair=pair, domain=domain, why=why)
    try:
        studied = _overlaps(bands.studied, pair, domain, up_to_a)
        found = _overlaps(bands.as_found, pair, domain, up_to_a)
    except NoBandError as error:
        return Coordination(pair=pair, domain=domain, up_to_a=up_to_a, why=str(error))
    study = bands.lineup.studies[pair.lower]
    return Coordination(
        pair=pair,
        domain=domain,
        up_to_a=up_to_a,
        studied=studied,
        found=found,
        lost=beyond(found, studied, study.pickup_percent),
        given_up=_given_up(bands, pair, domain, found, up_to_a),
    )


def _overlaps(
    make: Callable[[str, str, str], TripBand], pair: Pair, domain: str, up_to_a: float
) -> tuple[Overlap, ...]:
    return overlaps(make(pair.lower, "normal", domain), make(pair.upper, "normal", domain), up_to_a)


def _given_up(
    bands: Bands, pair: Pair, domain: str, found: tuple[Overlap, ...], up_to_a: float
) -> tuple[Overlap, ...] | None:
    try:
        lower = bands.as_found(pair.lower, "normal", domain)
        upper = bands.as_found(pair.upper, "maintenance", domain)
    except NoBandError:
        return None
    return beyond(overlaps(lower, upper, up_to_a), found)


def all_coordinations(bands: Bands, tags: Collection[str] | None = None) -> Iterator[Coordination]:
    """Every pair of the tags (of the map if None): phase faults, and ground faults if one of them looks."""
    wanted = bands.lineup.map.by_tag if tags is None else tags
    pairs = (pair for pair in pairs_of(bands.lineup.map) if pair.lower in wanted and pair.upper in wanted)
    for pair in pairs:
        for domain in domains_of(bands.lineup, pair):
            yield coordinate(bands, pair, domain)


def domains_of(lineup: Lineup, tags: Iterable[str]) -> tuple[str, ...]:
    """Sorts of faults that mean something for these devices."""
    rules = (lineup.profile_of(lineup.map.by_tag[tag]).settings for tag in tags)
    groups = [group for rule in rules if rule is not None for group in rule.groups.values()]
    has_ground = any("ground" in group.functions for group in groups)
    return tuple(DOMAINS) if has_ground else ("phase",)
