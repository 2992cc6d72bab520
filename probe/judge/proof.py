"""Search for the register shift or byte order that makes the proof points fit, in what was read."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from probe.judge.blocks import FUNCTIONS, scaled
from probe.judge.context import DeviceContext
from probe.model.profile import Point, Proof
from probe.model.reading import Quality, Value

#: Nearest first; farther shifts fit by chance too often.
SHIFTS = (0, 1, -1, 2, -2)


class Fit(NamedTuple):
    """What makes every proof point fit: registers to add to its address, byte order to read it in."""

    shift: int
    order: str


def fits(value: Value, quality: Quality, wanted: Value) -> bool:
    """True if the value is the known one; floats to six digits, text without blanks at its ends."""
    if quality is not Quality.GOOD:
        return False
    if isinstance(value, str) or isinstance(wanted, str):
        return str(value).strip() == str(wanted).strip()
    return abs(value - wanted) <= 1e-6 * max(abs(value), abs(wanted))


def where_it_fits(context: DeviceContext) -> Fit | None:
    """The smallest change that makes all proof points fit; None if there is none or nothing was read."""
    proofs = [p for p in context.profile.proof if context.readings(p.point)]
    for shift in SHIFTS:
        for order, turn in _turns():
            if not (shift or order):
                continue
            seen = [fit for proof in proofs for fit in _fits_there(context, proof, shift, turn)]
            if seen and all(seen):
                widest = max((context.point(proof.point) for proof in proofs), key=lambda point: point.count)
                return Fit(shift, _order_named(widest, order))
    return None


def proof_fails(context: DeviceContext) -> bool:
    """True if a proof point was read and shows another value."""
    known: bool | None = context.memory.get("proof_fails")
    if known is None:
        known = any(
            not fits(reading.value, reading.quality, proof.equals)
            for proof in context.profile.proof
            for reading in context.readings(proof.point)
        )
        context.memory["proof_fails"] = known
    return known


def _fits_there(context: DeviceContext, proof: Proof, shift: int, turn: tuple[bool, bool]) -> list[bool]:
    """Whether the proof point fits at the shifted address, for each block that holds that address.

    A change of order is one of numbers wider than a register: inside one the order is the standard's, and a
    type that departs from it there says so at the point.
    """
    point = context.point(proof.point)
    if point.count == 1:
        turn = (False, False)
    return [
        fits(*reread, proof.equals)
        for block in context.blocks
        if block.function == FUNCTIONS[point.area]
        and (raw := block.raw(point.start + shift, point.count)) is not None
        for reread in [scaled(context.profile, point, block, turned(raw, turn))]
    ]


def _turns() -> Iterator[tuple[str, tuple[bool, bool]]]:
    """Name of each change of order, and (words reversed, bytes of each register swapped)."""
    yield "", (False, False)
    yield "words", (True, False)
    yield "bytes", (False, True)
    yield "both", (True, True)


def turned(raw: bytes, turn: tuple[bool, bool]) -> bytes:
    """Registers in reversed order and/or with their bytes swapped."""
    words, swap = turn
    pairs = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if words:
        pairs.reverse()
    return b"".join(pair[::-1] if swap else pair for pair in pairs)


def _order_named(point: Point, change: str) -> str:
    """Letters of the point's order after the change; empty without one."""
    if not change or not point.order:
        return change
    letters = turned(
        point.order.encode(), {"words": (True, False), "bytes": (False, True)}.get(change, (True, True))
    )
    return letters.decode()


def better_order(point: Point, raw: bytes) -> str:
    """The byte order in which raw shows a plausible value of the point; empty if none or several do."""
    found = []
    for change, turn in list(_turns())[1:]:
        value, quality = point.decoder.decode(turned(raw, turn))
        if quality is Quality.GOOD and isinstance(value, (int, float)) and _plausible(point, value):
            found.append(_order_named(point, change))
    return found[0] if len(found) == 1 else ""


def _plausible(point: Point, value: float) -> bool:
    """In range and, without a stated range, of a size that things have (1e-3 to 1e9)."""
    if point.low is not None or point.high is not None:
        inside = (point.low is None or value >= point.low) and (point.high is None or value <= point.high)
        return inside and (value == 0 or abs(value) > 1e-6)
    return 1e-3 <= abs(value) <= 1e9
