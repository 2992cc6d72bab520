"""From a device's evidence to its snapshots: one for each round in which it was polled."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from probe.judge.blocks import Block, decoder_of
from probe.judge.by_profile import make_room
from probe.judge.checks.state import current
from probe.judge.context import DeviceContext
from probe.judge.electrical.quantities import Electrical, Key, electrical_points
from probe.judge.electrical.snapshot import Frame, Raw, Snapshot, frame_of, raw_of, snapshot
from probe.judge.electrical.topology import Stand
from probe.judge.electrical.width import LEAST_TIMES, STILL, Moved, moved_of, pace_of
from probe.judge.traits import traits_of
from probe.model.evidence import Purpose
from probe.model.profile import Point, Profile
from probe.model.reading import Quality

#: Beyond this a number is no measurement of anything, but a wrong byte order (see ``checks.sanity``).
HUGE = 1e12
#: Rounds of one run that are looked at: the first, the last, and some between them.
MOST_ROUNDS = 12


class Instruments(NamedTuple):
    """What a profile measures: its electrical points by name, and their keys."""

    points: Mapping[str, Electrical]
    keys: frozenset[Key]


_known: dict[int, tuple[Profile, Instruments]] = {}


def instruments_of(profile: Profile) -> Instruments:
    """What a profile measures; made once while the profile lives."""
    known = _known.get(id(profile))
    if known is None or known[0] is not profile:
        make_room(_known)
        found = electrical_points(profile)
        made = Instruments({item.point.name: item for item in found}, frozenset(item.key for item in found))
        # The profile is kept beside, so that its id cannot be given to another one.
        known = _known[id(profile)] = (profile, made)
    return known[1]


def points_of(profile: Profile) -> Mapping[str, Electrical]:
    """Electrical points of a profile by name."""
    return instruments_of(profile).points


def keys_of(profile: Profile) -> frozenset[Key]:
    """What a profile measures, by key."""
    return instruments_of(profile).keys


def point_of(profile: Profile, key: Key) -> Electrical | None:
    """The point of a profile that measures a quantity; None without one."""
    return next((item for item in points_of(profile).values() if item.key == key), None)


def frame_for(context: DeviceContext) -> Frame:
    """The frame of a device; where the map gives no rating, the one that the device itself shows."""
    known: Frame | None = context.memory.get("frame")
    if known is None:
        profile = context.profile
        known = frame_of(context.device, context.map, profile.accuracy, profile.conventions)
        if not known.rating_a:
            known = _with_own_rating(context, known)
        context.memory["frame"] = known
    return known


def _with_own_rating(context: DeviceContext, frame: Frame) -> Frame:
    for word in ("sensor", "ct_primary", "frame"):
        for point in traits_of(context.profile).ratings:
            reading = context.latest(point.name) if word in point.name else None
            if reading is not None and float(reading.value) > 0:
                return replace(
                    frame, rating_a=float(reading.value), rating_from=f"{point.title} in the device"
                )
    return frame


def snapshots_of(context: DeviceContext) -> tuple[Snapshot, ...]:
    """The device's snapshots in the order of the rounds; at most ``MOST_ROUNDS``, with the first and last."""
    known: tuple[Snapshot, ...] | None = context.memory.get("snapshots")
    if known is None:
        known = tuple(_taken(context)) if points_of(context.profile) else ()
        context.memory["snapshots"] = known
    return known


def _taken(context: DeviceContext) -> Iterator[Snapshot]:
    rounds: dict[int, list[Block]] = {}
    for block in context.blocks:
        if block.exchange.purpose is Purpose.POLL:
            rounds.setdefault(block.exchange.round, []).append(block)
    frame = frame_for(context)
    read = {number: tuple(_raws(context.profile, rounds[number])) for number in _some(sorted(rounds))}
    moved = _moves(read.values()) if len(read) > LEAST_TIMES else {}
    for number, raws in read.items():
        made = snapshot(frame, number, raws, moved)
        if made.values:
            yield made


def _moves(rounds: Iterable[Sequence[Raw]]) -> dict[Key, Moved]:
    """How the quantities moved from round to round; without those that moved nowhere, or count up."""
    shown: dict[Key, list[tuple[float, float]]] = {}
    for raws in rounds:
        for raw in raws:
            if pace_of(raw.key[0]) is not STILL:
                shown.setdefault(raw.key, []).append(((raw.sent_ns + raw.received_ns) / 2e9, raw.value))
    found = {key: moved_of(readings) for key, readings in shown.items()}
    return {key: moved for key, moved in found.items() if moved is not None}


def _some(numbers: list[int]) -> list[int]:
    if len(numbers) <= MOST_ROUNDS:
        return numbers
    last = len(numbers) - 1
    return [numbers[n * last // (MOST_ROUNDS - 1)] for n in range(MOST_ROUNDS)]


def _raws(profile: Profile, blocks: list[Block]) -> Iterator[Raw]:
    wanted = points_of(profile)
    for block in blocks:
        times = (block.exchange.sent_ns, block.exchange.received_ns)
        for point, _, value, quality in decoder_of(profile, block).decode(block.data):
            item = wanted.get(point.name)
            if item is not None and quality is Quality.GOOD and abs(float(value)) <= HUGE:
                step = item.step or _factored_step(profile, point, block) * item.factor
                yield raw_of(item, float(value), step, block.sequence, times)


def _factored_step(profile: Profile, point: Point, block: Block) -> float:
    """One step of a register whose power of ten stands in another one, in the point's unit."""
    factor = profile.by_name[point.scale_factor]
    raw = block.raw(factor.start, factor.count)
    return 0.0 if raw is None else 10.0 ** int.from_bytes(raw, "big", signed=True)


def loaded(context: DeviceContext) -> Snapshot | None:
    """The snapshot with the largest current: where the readings can tell most; None without any.

    Without currents the last one.
    """
    taken = snapshots_of(context)
    return max(taken, key=lambda one: (one.current_a or 0.0, one.round), default=None)


def stand_of(context: DeviceContext) -> Stand:
    """How the device's breaker stands by its own word; a device without one counts as closed."""
    states = traits_of(context.profile).states
    if "breaker" not in states:
        return Stand.CLOSED
    position = current(context, "position") if "position" in states else None
    if position is not None and position[0] in ("test", "withdrawn"):
        return Stand.OPEN
    seen = current(context, "breaker")
    if seen is None or not seen[0]:
        return Stand.UNKNOWN
    return Stand.CLOSED if seen[0] == "closed" else Stand.OPEN
