"""What a profile has, worked out once for each profile: whether a check applies is asked for every device."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from probe.judge.blocks import AREAS, is_float
from probe.judge.by_profile import make_room
from probe.judge.check import Subject
from probe.model.block import BlockDecoder, block_decoder
from probe.model.profile import Point, Profile

#: Quantities that only ever rise on a healthy device.
RISING = frozenset(
    {
        "energy_active_import",
        "energy_active_export",
        "energy_reactive_import",
        "energy_reactive_export",
        "energy_apparent_import",
        "energy_apparent_export",
        "counter",
        "heartbeat",
    }
)
#: Quantities that cannot leap between two rounds.
LEAPING = frozenset({"frequency", "temperature"})


#: Point, and its bytes in the block's data from first up to end.
FloatPlaces = tuple[tuple[Point, int, int], ...]


class Place(NamedTuple):
    """Where a point is found: function that reads it, first address, first address behind it."""

    point: Point
    function: int
    start: int
    end: int


def _place(point: Point) -> Place:
    return Place(point, point.area.function, point.start, point.end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Traits:
    """wanted: names of the points that a run reads (all but identification points), clock_atom: those that
    are read with the clock. reread: those that even a short run reads twice. moving, rising, leaping: see
    profile.Point and above. places: of every point by its name. shapes: of replies.
    """

    floats: tuple[Point, ...]
    has_states: bool
    has_range: bool
    wanted: frozenset[str]
    clock_atom: frozenset[str]
    moving: tuple[Point, ...]
    rising: tuple[Point, ...]
    leaping: tuple[Point, ...]
    currents: tuple[Point, ...]
    voltages: tuple[Point, ...]
    frequencies: tuple[Point, ...]
    ratings: tuple[Point, ...]
    states: frozenset[str]
    places: Mapping[str, Place]
    reread: frozenset[str]
    shapes: Shapes


def is_read_twice(subject: Subject, names: Iterable[str]) -> bool:
    """True if a run of this scope reads any of the points in two rounds."""
    if subject.scope.quick:
        return False
    if subject.scope.dwell_s > 0:
        return any(names)
    return not traits_of(subject.profile).reread.isdisjoint(names)


class Shape(NamedTuple):
    """What a profile's points make of replies to one request: their decoder, and where its floats stand."""

    decoder: BlockDecoder
    floats: FloatPlaces


class Seen(NamedTuple):
    """What replies of some shapes hold: names of the points, and of those wanted that none of them holds."""

    names: frozenset[str]
    missing: frozenset[str]


#: Function code, first address and size of a block: thousands of devices of one profile share a few.
ShapeKey = tuple[int, int, int]
#: So many are kept for each profile; a record from elsewhere may hold any number.
_SHAPES_KEPT = 1024


class Shapes:
    """What is worked out once for all replies of one shape, for one profile."""

    __slots__ = ("_known", "_profile", "_seen", "_wanted")

    def __init__(self, profile: Profile, wanted: frozenset[str]) -> None:
        self._profile = profile
        self._wanted = wanted
        self._known: dict[ShapeKey, Shape] = {}
        self._seen: dict[frozenset[ShapeKey], Seen] = {}

    def of(self, key: ShapeKey) -> Shape:
        """The shape of blocks with this function, start and size."""
        shape = self._known.get(key)
        if shape is None:
            if len(self._known) >= _SHAPES_KEPT:
                self._known.clear()
            shape = self._known[key] = _shape(self._profile, key)
        return shape

    def seen(self, keys: frozenset[ShapeKey]) -> Seen:
        """What blocks of these shapes hold together."""
        seen = self._seen.get(keys)
        if seen is None:
            if len(self._seen) >= _SHAPES_KEPT:
                self._seen.clear()
            names = frozenset(point.name for key in keys for point in self.of(key).decoder.points)
            seen = self._seen[keys] = Seen(names, self._wanted - names)
        return seen


def _shape(profile: Profile, key: ShapeKey) -> Shape:
    function, start, size = key
    decoder = block_decoder(profile, AREAS[function], start, size)
    floats = (point for point in decoder.points if is_float(point))
    places = tuple((point, 2 * (point.start - start), 2 * (point.end - start)) for point in floats)
    return Shape(decoder, places)


_known: dict[int, tuple[Profile, Traits]] = {}


def traits_of(profile: Profile) -> Traits:
    """The traits of a profile; made once while the profile lives."""
    known = _known.get(id(profile))
    if known is None or known[0] is not profile:
        make_room(_known)
        # The profile is kept beside its traits, so that its id cannot be given to another one.
        known = _known[id(profile)] = (profile, _traits(profile))
    return known[1]


def _traits(profile: Profile) -> Traits:
    # Where something happens, a witness run reads the event log; no other run does.
    points = tuple(point for point in profile.points if point.name not in profile.event_points)
    apart = set(profile.identity.points.values())
    wanted = frozenset(point.name for point in points if point.name not in apart)
    return Traits(
        floats=tuple(filter(is_float, points)),
        has_states=any(point.values for point in points),
        has_range=any(point.low is not None or point.high is not None for point in points),
        wanted=wanted,
        clock_atom=_clock_atom(profile),
        moving=tuple(point for point in points if point.moves),
        rising=tuple(point for point in points if point.quantity in RISING),
        leaping=tuple(point for point in points if point.quantity in LEAPING),
        currents=tuple(point for point in points if point.quantity == "current"),
        voltages=tuple(point for point in points if point.quantity in ("voltage_line", "voltage_phase")),
        frequencies=tuple(point for point in points if point.quantity == "frequency"),
        ratings=tuple(point for point in points if point.quantity == "rating"),
        states=frozenset(rule.state for rule in profile.states),
        places={point.name: _place(point) for point in profile.points},
        reread=frozenset(profile.freshness.points if profile.freshness else ()) | _clock_atom(profile),
        shapes=Shapes(profile, wanted),
    )


def _clock_atom(profile: Profile) -> frozenset[str]:
    if profile.clock is None:
        return frozenset()
    clock = profile.by_name[profile.clock.point]
    return frozenset(p.name for p in profile.points if p is clock or (clock.atom and p.atom == clock.atom))
