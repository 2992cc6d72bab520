"""The registers behind a device's readings, kept so that they can be read in another way.

Small on purpose: references to the replies of one round, and the profile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from probe.judge.blocks import FUNCTIONS, Block, scaled
from probe.judge.diagnosis.picture import Key, Sight, clipped
from probe.judge.electrical.quantities import Electrical
from probe.judge.electrical.snapshot import Frame, Snapshot
from probe.model.block import in_range
from probe.model.number_codec import FloatDecoder, IntegerDecoder
from probe.model.profile import Decoder, Point, Profile
from probe.model.reading import Quality, Value

#: What a value costs that cannot be: outside of its range, no number of its type, or not available.
OUT_OF_RANGE, NO_NUMBER, NOT_AVAILABLE = -8.0, -14.0, -1.0
#: Floats beyond these are no measurement of anything (a subnormal, or astronomically large).
TINY, HUGE = 1e-30, 1e12

Turn = Callable[[bytes], bytes]


class Item(NamedTuple):
    """One electrical point with the reply that holds it."""

    electrical: Electrical
    block: Block

    @property
    def point(self) -> Point:
        """The point."""
        return self.electrical.point


class Other(NamedTuple):
    """Another way to take a point's number. size: registers; offset: so many behind the point's first."""

    decoder: Decoder
    size: int
    offset: int = 0


class Read(NamedTuple):
    """What a way of reading shows. odd: by key, the cost (a logarithm) of a value that cannot be."""

    values: Mapping[Key, Sight]
    odd: Mapping[Key, float]


class Registers(NamedTuple):
    """items: the electrical points that were read. blocks: all replies of that round."""

    profile: Profile
    frame: Frame
    items: tuple[Item, ...]
    blocks: tuple[Block, ...]

    def read(self, known: Snapshot) -> Read:
        """The readings as the profile has them, with the snapshot's uncertainties."""
        values = {key: (clipped(m.value), m.half_width) for key, m in known.values.items()}
        odd = {}
        for item in self.items:
            value, quality = scaled(self.profile, item.point, item.block, self._raw(item, 0) or b"")
            cost = _cost(item.point, value, quality)
            if cost:
                odd[item.electrical.key] = cost
        return Read(values, odd)

    def reread(
        self,
        base: Read,
        *,
        turns: Mapping[str, Turn] | None = None,
        others: Mapping[str, Other] | None = None,
        shift: int = 0,
    ) -> Read:
        """The readings under a hypothesis; points that it leaves alone keep what they have.

        turns: by point, what is done to its bytes. others: by point. shift: registers further on, all.
        """
        values, odd = dict(base.values), {}
        for item in self.items:
            name, key = item.point.name, item.electrical.key
            turn = turns.get(name) if turns else None
            other = others.get(name) if others else None
            if not shift and turn is None and other is None:
                if key in base.odd:
                    odd[key] = base.odd[key]
                continue
            values.pop(key, None)
            cost = self._again(item, turn, other, shift, values)
            if cost:
                odd[key] = cost
        return Read(values, odd)

    def _again(
        self,
        item: Item,
        turn: Turn | None,
        other: Other | None,
        shift: int,
        values: dict[Key, Sight],
    ) -> float:
        """Puts the value read anew among the values; returns its cost."""
        raw = self._raw(item, shift) if other is None else self._raw(item, other.offset, other.size)
        if raw is None:
            return 0.0
        if turn is not None:
            raw = turn(raw)
        if other is not None:
            value, quality = other.decoder.decode(raw)
        else:
            value, quality = self._scaled(item, raw, shift)
        if quality is Quality.GOOD and isinstance(value, int | float):
            base = clipped(float(value) * item.electrical.factor)
            step = item.electrical.step or abs(base) * 1e-3
            values[item.electrical.key] = (base, self.width(item.electrical.key, base) + step)
        return _cost(item.point, value, quality)

    def beside(self, shift: int) -> float:
        """What the points that are not electrical say of registers so much further on, as a logarithm."""
        found = 0.0
        for point in self.profile.points:
            if point.quantity == "rating" or point.values or (point.count == 1 and point.high is not None):
                found += self._beside(point, shift)
        return found

    def _beside(self, point: Point, shift: int) -> float:
        for block in self.blocks:
            if block.function == FUNCTIONS[point.area]:
                raw = block.raw(point.start + shift, point.count)
                if raw is not None:
                    value, quality = point.decoder.decode(raw)
                    if (
                        point.quantity == "rating"
                        and quality is Quality.GOOD
                        and isinstance(value, int | float)
                    ):
                        # The rating of the map is seldom met by chance.
                        return 3.0 if value and value == self.frame.rating_a else -1.0
                    good = quality is Quality.GOOD and in_range(point, value)
                    return 0.0 if good else -1.5
        return 0.0

    def _scaled(self, item: Item, raw: bytes, shift: int) -> tuple[Value, Quality]:
        if shift and item.point.scale_factor:
            moved = item.block._replace(start=item.block.start - shift)
            return scaled(self.profile, item.point, moved, raw)
        return scaled(self.profile, item.point, item.block, raw)

    def _raw(self, item: Item, shift: int, count: int = 0) -> bytes | None:
        """The bytes of a point so many registers further on. count: registers, 0 for as many as it has."""
        start, count = item.point.start + shift, count or item.point.count
        raw = item.block.raw(start, count)
        if raw is not None or (not shift and count == item.point.count):
            return raw
        for block in self.blocks:
            if block.function == FUNCTIONS[item.point.area]:
                raw = block.raw(start, count)
                if raw is not None:
                    return raw
        return None

    def width(self, key: Key, value: float) -> float:
        """Half-width of a value that was read anew: the class alone."""
        return abs(value) * _class(self.frame, key[0]) / 100


def _class(frame: Frame, quantity: str) -> float:
    accuracy = frame.accuracy
    if quantity.startswith("voltage"):
        return accuracy.voltage_percent
    if quantity == "current":
        return accuracy.current_percent
    if quantity in ("power_reactive", "demand_reactive"):
        return accuracy.reactive_percent
    return accuracy.power_percent


def _cost(point: Point, value: object, quality: Quality) -> float:
    if quality is Quality.NOT_AVAILABLE:
        return NOT_AVAILABLE
    if quality is not Quality.GOOD or not isinstance(value, int | float):
        return NO_NUMBER
    if isinstance(value, float) and value and not TINY <= abs(value) <= HUGE:
        return NO_NUMBER
    return 0.0 if in_range(point, value) else OUT_OF_RANGE


def is_number(point: Point) -> bool:
    """True for a whole number or float, whose bytes have an order."""
    return isinstance(point.decoder, IntegerDecoder | FloatDecoder)
