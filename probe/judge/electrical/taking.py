"""From a device's evidence to its snapshots: one for each round in which it was polled."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from probe.judge.blocks import Block, decoder_of
from probe.judge.context import DeviceContext
from probe.judge.electrical.quantities import Electrical, electrical_points
from probe.judge.electrical.snapshot import Frame, Raw, Snapshot, frame_of, raw_of, snapshot
from probe.judge.traits import traits_of
from probe.model.evidence import Purpose
from probe.model.profile import Point, Profile
from probe.model.reading import Quality

#: Rounds of one run that are looked at: the first, the last, and some between them.
MOST_ROUNDS = 12

_known: dict[int, tuple[Profile, dict[str, Electrical]]] = {}


def points_of(profile: Profile) -> dict[str, Electrical]:
    """Electrical points of a profile by name; made once while the profile lives."""
    known = _known.get(id(profile))
    if known is None or known[0] is not profile:
        if len(_known) >= 256:
            _known.clear()
        made = {item.point.name: item for item in electrical_points(profile)}
        known = _known[id(profile)] = (profile, made)
    return known[1]


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
    for number in _some(sorted(rounds)):
        made = snapshot(frame, number, _raws(context.profile, rounds[number]))
        if made.values:
            yield made


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
            if item is not None and quality is Quality.GOOD:
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
