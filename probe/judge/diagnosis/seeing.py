"""From a device's evidence to its sighting: a quick look first, a search only where something is odd."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, isfinite, sqrt

from probe.judge.blocks import Block, holds
from probe.judge.checks.rating import rated_points
from probe.judge.context import DeviceContext
from probe.judge.diagnosis.flow import STRANGE_FLOW, fit_wiring, flow_of
from probe.judge.diagnosis.inside import Size, terms, total, volts_of
from probe.judge.diagnosis.picture import Key, Picture, picture
from probe.judge.diagnosis.registers import Item, Registers
from probe.judge.diagnosis.search import BROKEN, Case, explain
from probe.judge.diagnosis.sighting import Rating, Sighting
from probe.judge.diagnosis.wiring import STRAIGHT
from probe.judge.electrical.snapshot import Snapshot
from probe.judge.electrical.taking import frame_for, loaded, points_of, stand_of
from probe.judge.identity import identity_of
from probe.judge.supply import is_dead
from probe.model.evidence import Purpose

#: Below this the terms together are odd even if none is broken by itself.
ODD_TOTAL = -25.0


def sighting_of(context: DeviceContext) -> Sighting | None:
    """What is kept of the device; None where it measures nothing, was not read, or its circuit is dead."""
    if "sighting" not in context.memory:
        context.memory["sighting"] = _sighting(context)
    found: Sighting | None = context.memory["sighting"]
    return found


def _sighting(context: DeviceContext) -> Sighting | None:
    case = case_of(context)
    if case is None:
        return None
    if is_dead(context) and not case.base.odd and _carries_nothing(case) and not _halves_numbers(case):
        return None  # nothing there, or nothing to tell it from a wrong scale by
    ratings = tuple(
        Rating(point.name, float(reading.value), drawn)
        for point, drawn in rated_points(context.device, context.profile)
        if (reading := context.latest(point.name)) is not None
    )
    explanations = () if looks_sound(case) else explain(case)
    said = identity_of(context).get("serial")
    return Sighting(case, explanations, ratings, stand_of(context), said.text if said is not None else "")


def _carries_nothing(case: Case) -> bool:
    """True if no current flows that is worth the name."""
    least = max(0.005 * case.size.rating_a, 0.5)
    return all(abs(v) < least for (quantity, _), (v, _) in case.base.values.items() if quantity == "current")


def _halves_numbers(case: Case) -> bool:
    """True if the voltages that are read as nothing stand in one register, with something in the next.

    No point reads that next register: the number may have two, of which the profile knows the empty one.
    """
    taken = {point.start for point in case.registers.profile.points}
    volts = [i for i in case.registers.items if i.electrical.key[0].startswith("voltage")]
    narrow = [i for i in volts if i.point.count == 1 and i.point.start + 1 not in taken]
    behind = [item.block.raw(item.point.start + 1, 1) for item in narrow]
    return bool(narrow) and all(raw is not None and any(raw) for raw in behind)


def case_of(context: DeviceContext) -> Case | None:
    """The device as the search sees it; None where no electrical point was read."""
    points = points_of(context.profile)
    if not points or not context.blocks:
        return None
    frame = frame_for(context)
    known = loaded(context) or Snapshot(frame=frame, round=0)
    blocks = [
        b for b in context.blocks if b.exchange.purpose is Purpose.POLL and b.exchange.round == known.round
    ]
    items = [Item(e, block) for e in points.values() if (block := _holding(blocks, e.point)) is not None]
    if not items:
        return None
    system = context.map.system
    size = Size(system.voltage_v, system.frequency_hz, frame.rating_a)
    if system.wiring == "delta":  # phases are shown against ground there, wherever that is
        items = [item for item in items if item.electrical.key[0] != "voltage_phase"]
        known = replace(known, values={k: v for k, v in known.values.items() if k[0] != "voltage_phase"})
    if system.wiring == "single":
        size = size._replace(line_v=system.voltage_v * sqrt(3), single=True)
        items, known = _of_one_phase(items, known)
    registers = Registers(context.profile, frame, tuple(items), tuple(blocks))
    return Case(registers, registers.read(known), size, bool(context.profile.proof))


def _of_one_phase(items: list[Item], known: Snapshot) -> tuple[list[Item], Snapshot]:
    """The readings of a single phase: what is called total, or a line voltage, is that of phase A."""
    told = {item.electrical.key for item in items}
    of_a = {key: _of_a(key) for key in told if _of_a(key) == key or _of_a(key) not in told}
    named = [
        item._replace(electrical=item.electrical._replace(key=of_a[item.electrical.key]))
        for item in items
        if item.electrical.key in of_a
    ]
    values = {of_a[key]: value for key, value in known.values.items() if key in of_a}
    return named, replace(known, values=values)


def _of_a(key: Key) -> Key:
    """The key of phase A that a key of a single phase means."""
    quantity, phase = key
    if quantity == "voltage_line" and phase in ("ab", "average"):
        return "voltage_phase", "a"
    is_whole = quantity.startswith(("power", "current")) and phase in ("total", "average")
    return (quantity, "a") if is_whole else key


def _holding(blocks: list[Block], point: object) -> Block | None:
    return next((block for block in blocks if holds(block, point)), None)  # type: ignore[arg-type]


def looks_sound(case: Case) -> bool:
    """True if a quick look finds nothing odd: no value out of place, and powers as a load makes them."""
    if any(odd < BROKEN for odd in case.base.odd.values()):
        return False
    seen = picture(case.base.values)
    found = terms(seen, case.size)
    if any(term.log <= BROKEN for term in found) or total(found) < ODD_TOTAL:
        return False
    if _flows_usually(seen):
        return True
    flow = flow_of(seen, case.size.rating_a)
    return flow is None or fit_wiring(flow, STRAIGHT).log > STRANGE_FLOW


def _flows_usually(seen: Picture) -> bool:
    """True if every phase plainly takes power as a load does, and alike; False says nothing."""
    products = [v * abs(i[0]) for v, i in zip(volts_of(seen), seen.amps, strict=True)]
    size = sum(products)
    active, reactive, _ = seen.totals
    if not (isfinite(size) and size > 0 and isfinite(active[0]) and isfinite(reactive[0])):
        return False
    if active[0] < 0.6 * size or hypot(active[0], reactive[0]) < 0.9 * size or seen.unbalance[0] > 60:
        return False
    parts = [p[0] / product for p, product in zip(seen.active, products, strict=True) if product]
    return all(part > 0.5 for part in parts if isfinite(part))
