"""Block: one reply's registers to the values of all points inside it; the hot path of judging.

Everything is decided when a ``BlockDecoder`` is made (once for each profile and block, cached): which
points lie inside, how ``struct`` unpacks them all in one call, where each scale factor stands, and between
which raw numbers a point is healthy. Decoding then has no look at the profile.

Points are unpacked in *lanes*: one ``struct`` call for all points of the same layout. Four layouts cover
every regular byte and word order:

    bytes swapped in each register first?   then      orders
    no                                      big       ABCD, ABCDEFGH
    no                                      little    DCBA, HGFEDCBA
    yes                                     big       BADC, BADCFEHG
    yes                                     little    CDAB, GHEFCDAB

Overlapping points (allowed where a profile declares them) go to further lanes. Other points (text, clocks,
digits, irregular orders) are decoded one by one.

**Scale factors**: a point and its factor share an atom, so they lie in one block. The factor is resolved
here; if it is not available, outside -10..10, or not in the block, the point is NO_SCALE and shows the bare
number; it is never GOOD unscaled.

**acc32 and other counters at zero are GOOD zeros**: a fresh meter shows 0 (SunSpec's "not accumulated").
"""

from __future__ import annotations

import struct
from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import le
from typing import Any, NamedTuple

from probe.model.number_codec import EXPONENTS, IDENTITY, FactoredDecoder, FloatDecoder, IntegerDecoder
from probe.model.profile import Area, Point, Profile
from probe.model.reading import Quality, Value

Decoded = tuple[Point, bytes, Value, Quality]


class _Placed(NamedTuple):
    """A point and where it lies in the payload."""

    slot: int  # place in the result of ``decode``
    point: Point
    first: int  # byte offsets in the payload
    end: int
    factor: int  # which of the block's scale factors it uses, _NO_FACTOR if it needs none
    # (unpacked number, raw bytes) to value; for a factored point (number, exponent); unused for others.
    finish: Callable[[Any, Any], tuple[Value, Quality]]


_NO_FACTOR = -1
_NO_FACTORS = (None,)  # exponents of a block in which no point needs any
#: Ranges under so many different settings of the scale factors are kept; a healthy device shows one.
_RANGES_KEPT = 64

_Bounds = tuple[float, ...]
# For each lane: smallest and largest number of each point.
_Ranges = tuple[tuple[_Bounds, _Bounds], ...]


class _Lane:
    """Points that one struct call unpacks, and the numbers between which each is healthy."""

    __slots__ = ("forbidden", "members", "plains", "swapped", "unpack")

    def __init__(self, layout: tuple[bool, bool], plains: Sequence[_Placed], size: int) -> None:
        self.swapped = layout[0]
        self.plains = tuple(plains)
        self.unpack = struct.Struct(_format(plains, size, little=layout[1])).unpack
        self.forbidden = tuple(
            (index, numbers)
            for index, plain in enumerate(plains)
            if (numbers := _missing_inside(plain.point))
        )
        self.members = tuple(
            (index, frozenset(plain.point.values)) for index, plain in enumerate(plains) if plain.point.values
        )

    def ranges(self, exponents: tuple[int | None, ...]) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Smallest and largest number of each point, under these scale factors (all valid)."""
        bounds = [_bounds(plain, exponents) for plain in self.plains]
        return tuple(low for low, _ in bounds), tuple(high for _, high in bounds)

    def healthy(
        self, numbers: tuple[int | float, ...], lows: tuple[float, ...], highs: tuple[float, ...]
    ) -> bool:
        """True if every number is in range, available and in its list."""
        for number, low, high in zip(numbers, lows, highs, strict=True):
            if not low <= number <= high:  # also catches NaN
                return False
        for index, missing in self.forbidden:
            if numbers[index] in missing:
                return False
        return not self.members or all(numbers[index] in allowed for index, allowed in self.members)


def _format(plains: Sequence[_Placed], size: int, *, little: bool) -> str:
    """The struct format that picks the points out of a payload of ``size`` bytes; plains in byte order."""
    text, at = "<" if little else ">", 0
    for plain in plains:
        decoder = _number_decoder(plain.point)
        text += f"{plain.first - at}x{decoder.code}" if plain.first > at else decoder.code
        at = plain.end
    return f"{text}{size - at}x"


def _bounds(plain: _Placed, exponents: tuple[int | None, ...]) -> tuple[float, float]:
    """Ends for the unpacked number of a point."""
    point, decoder = plain.point, plain.point.decoder
    if isinstance(decoder, FactoredDecoder):
        exponent = exponents[plain.factor]
        assert exponent is not None  # ranges are made for valid factors only
        return decoder.factored_bounds(exponent, point.low, point.high)
    return _number_decoder(point).number_bounds(point.low, point.high)


def _missing_inside(point: Point) -> frozenset[float]:
    """Not-available numbers that the point's range alone would let through."""
    decoder = _number_decoder(point)
    if isinstance(decoder, FactoredDecoder):
        return frozenset(decoder.unavailable_numbers)
    low, high = decoder.number_bounds(point.low, point.high)
    return frozenset(n for n in decoder.unavailable_numbers if low <= n <= high)


def _number_decoder(point: Point) -> IntegerDecoder | FloatDecoder:
    """The decoder of a point that lies in a lane."""
    assert isinstance(point.decoder, IntegerDecoder | FloatDecoder)
    return point.decoder


class BlockDecoder:
    """Decodes replies to one request: an area, a first PDU address and a count.

    ``payload`` is the data of the reply (without function code and byte count): two bytes a register, or
    for coils and discrete inputs packed bits, least significant first. Its length must be that of the
    count: a reply of another length is no data (the wire has refused it).
    """

    def __init__(self, points: Sequence[Point], start: int, count: int) -> None:
        """points: those of one area that lie wholly inside start..start+count, and their scale factors."""
        inside = sorted(
            (p for p in points if start <= p.start and p.end <= start + count), key=lambda p: (p.start, p.end)
        )
        self.points: tuple[Point, ...] = tuple(inside)
        self.start = start
        self.count = count
        self._size = 2 * count
        places = {point.name: 2 * (point.start - start) for point in inside}
        factors = sorted({places[p.scale_factor] for p in inside if p.scale_factor in places})
        self._factors = struct.Struct(_picked(factors, self._size))
        plains, self._others = _sorted_out(inside, places, factors)
        self._lanes = tuple(_lanes(plains, self._size))
        self._swaps = any(lane.swapped for lane in self._lanes)
        # Only the factors that points need are judged here; the factors themselves are points as well.
        self._needed = tuple(sorted({plain.factor for plain in plains if plain.factor != _NO_FACTOR}))
        self._ranges: dict[tuple[int | None, ...], _Ranges | None] = {}
        if not self._needed:
            self._ranges_for(_NO_FACTORS)
        self._plain = self._plain_lane()

    def _plain_lane(self) -> tuple[Callable[[bytes], tuple[Any, ...]], _Bounds, _Bounds] | None:
        """How to unpack all points and between which numbers each is healthy, where that is all."""
        ranges = None if self._needed else self._ranges_for(_NO_FACTORS)
        if ranges is None or len(self._lanes) != 1 or self._others or self._swaps:
            return None
        lane = self._lanes[0]
        return None if lane.forbidden or lane.members else (lane.unpack, *ranges[0])

    def decode(self, payload: bytes) -> list[Decoded]:
        """Every point in the block, by rising address: point, its raw bytes, value, quality."""
        result: list[Decoded] = [None] * len(self.points)  # type: ignore[list-item]  # each slot is set below
        swapped = _swap(payload) if self._swaps else payload
        exponents = (*self._factors.unpack(payload), None)
        for lane in self._lanes:
            numbers = lane.unpack(swapped if lane.swapped else payload)
            for plain, number in zip(lane.plains, numbers, strict=True):
                slot, point, first, end, factor, finish = plain
                raw = payload[first:end]
                value, quality = finish(number, raw if factor == _NO_FACTOR else exponents[factor])
                result[slot] = (point, raw, value, quality)
        for slot, point, first, end, _, _ in self._others:
            raw = payload[first:end]
            value, quality = point.decoder.decode(raw)
            result[slot] = (point, raw, value, quality)
        return result

    def all_good_and_in_range(self, payload: bytes) -> bool:
        """True if ``decode`` would give only GOOD values, each within low..high and in its list of values.

        Healthy blocks need nothing else: no value is made, no reading.
        """
        if self._plain is not None:  # the usual case, without a loop of Python's
            unpack, least, most = self._plain
            seen = unpack(payload)
            return all(map(le, least, seen)) and all(map(le, seen, most))  # not so for NaN
        ranges = self._ranges_for((*self._factors.unpack(payload), None) if self._needed else _NO_FACTORS)
        if ranges is None:
            return False
        swapped = _swap(payload) if self._swaps else payload
        for lane, (lows, highs) in zip(self._lanes, ranges, strict=True):
            if not lane.healthy(lane.unpack(swapped if lane.swapped else payload), lows, highs):
                return False
        return not self._others or all(_one_holds(plain, payload) for plain in self._others)

    def _ranges_for(self, exponents: tuple[int | None, ...]) -> _Ranges | None:
        """Ranges of all lanes under the scale factors; None if a factor that a point needs is none."""
        if exponents not in self._ranges:
            if len(self._ranges) >= _RANGES_KEPT:  # a device that shows ever new factors is not worth it
                self._ranges.clear()
            valid = all(exponents[index] in EXPONENTS for index in self._needed)
            ranges = tuple(lane.ranges(exponents) for lane in self._lanes) if valid else None
            self._ranges[exponents] = ranges
        return self._ranges[exponents]


def _picked(offsets: Sequence[int], size: int) -> str:
    """The struct format for signed registers at rising byte offsets in a payload."""
    text, at = ">", 0
    for offset in offsets:
        text += f"{offset - at}xh"
        at = offset + 2
    return f"{text}{size - at}x"


class BitBlockDecoder(BlockDecoder):
    """The same for coils and discrete inputs, whose payload is packed bits."""

    def decode(self, payload: bytes) -> list[Decoded]:
        """Every point in the block; raw is one byte, 0 or 1."""
        bits = int.from_bytes(payload, "little")
        result: list[Decoded] = []
        for point in self.points:
            raw = b"\1" if bits >> (point.start - self.start) & 1 else b"\0"
            value, quality = point.decoder.decode(raw)
            result.append((point, raw, value, quality))
        return result

    def all_good_and_in_range(self, payload: bytes) -> bool:
        """True: a bit has no bad value."""
        return True


def _sorted_out(
    points: Sequence[Point], places: Mapping[str, int], factors: Sequence[int]
) -> tuple[tuple[_Placed, ...], tuple[_Placed, ...]]:
    """Points for the lanes, and the others. factors: byte offsets of the block's scale factors.

    The factor of a point that is not in the block is the one behind the last: None when decoding.
    """
    plains: list[_Placed] = []
    others: list[_Placed] = []
    for slot, point in enumerate(points):
        first = places[point.name]
        factor = _NO_FACTOR
        if point.scale_factor:
            place = places.get(point.scale_factor)
            factor = len(factors) if place is None else factors.index(place)
        finish = _finish(point)
        if factor != _NO_FACTOR and finish is None:
            raise ValueError(f"{point.name}: a point with a scale factor needs a regular byte order")
        entry = _Placed(slot, point, first, first + 2 * point.count, factor, finish or _unused)
        (others if finish is None else plains).append(entry)
    return tuple(plains), tuple(others)


def _finish(point: Point) -> Callable[[Any, Any], tuple[Value, Quality]] | None:
    """What turns the unpacked number into the value; None if a lane cannot unpack the point.

    A scaled float is decoded alone: the ends of its range have no exact number before the scale.
    """
    decoder = point.decoder
    if isinstance(decoder, FactoredDecoder):
        return decoder.with_factor if decoder.order.lane is not None else None
    if isinstance(decoder, IntegerDecoder) or (
        isinstance(decoder, FloatDecoder) and decoder.scale == IDENTITY
    ):
        return decoder.from_number if decoder.order.lane is not None else None
    return None


def _unused(_number: Any, _raw: Any) -> tuple[Value, Quality]:
    raise AssertionError("points outside the lanes are decoded from their bytes")


def _lanes(plains: Iterable[_Placed], size: int) -> Iterable[_Lane]:
    """Lanes, each of one layout and without overlap; plains come by rising address."""
    open_lanes: list[tuple[tuple[bool, bool], list[_Placed]]] = []
    for plain in plains:
        layout = _number_decoder(plain.point).order.lane
        assert layout is not None  # _finish has made sure
        for known, members in open_lanes:
            if known == layout and members[-1].end <= plain.first:
                members.append(plain)
                break
        else:
            open_lanes.append((layout, [plain]))
    return [_Lane(layout, members, size) for layout, members in open_lanes]


def _swap(payload: bytes) -> bytes:
    words = array("H", payload)
    words.byteswap()
    return words.tobytes()


def _one_holds(plain: _Placed, payload: bytes) -> bool:
    point = plain.point
    value, quality = point.decoder.decode(payload[plain.first : plain.end])
    return quality is Quality.GOOD and in_range(point, value)


def in_range(point: Point, value: Value) -> bool:
    """True if a GOOD value lies within the point's low..high and, for an enumeration, in its list.

    Both ends belong to the range. Text and truth values have no range.
    """
    if isinstance(value, bool | str):
        return True
    if point.values and value not in point.values:
        return False
    return (point.low is None or value >= point.low) and (point.high is None or value <= point.high)


_BY_PROFILE: dict[tuple[str, str, Area, int, int], BlockDecoder] = {}


def block_decoder(profile: Profile, area: Area, start: int, count: int) -> BlockDecoder:
    """The ready decoder for replies to one request of a device with this profile; made once, then cached.

    start: PDU address, as asked. **A device with ``register_shift`` is asked at shifted addresses: give the
    address of the profile (asked minus shift) here.** count: registers or bits asked for.
    """
    key = (profile.sha256, profile.name, area, start, count)
    decoder = _BY_PROFILE.get(key) if profile.sha256 else None
    if decoder is None:
        points = [point for point in profile.points if point.area is area]
        decoder = (BitBlockDecoder if area.is_bits else BlockDecoder)(points, start, count)
        if profile.sha256:
            _BY_PROFILE[key] = decoder
    return decoder


def decode_points(
    profile: Profile, area: Area, start: int, payload: bytes, count: int | None = None
) -> list[Decoded]:
    """Every point of the profile that lies wholly in the payload: point, raw bytes, value, quality.

    count: needed for coils and discrete inputs, whose payload does not tell how many bits were asked.
    """
    size = count if count is not None else len(payload) * 8 if area.is_bits else len(payload) // 2
    return block_decoder(profile, area, start, size).decode(payload)


def number_range(point: Point) -> tuple[float, float] | None:
    """Lowest and highest value that a whole-number point can show; None for other types and factored ones."""
    decoder = point.decoder
    if not isinstance(decoder, IntegerDecoder) or isinstance(decoder, FactoredDecoder):
        return None
    ends = [decoder.scale.apply(number) for number in decoder.number_bounds(None, None)]
    return min(ends), max(ends)
