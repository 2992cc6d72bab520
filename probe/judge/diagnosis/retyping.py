"""Numbers that may be of another type: float for integer, signed for unsigned, 16 for 32 bit.

A profile takes a type from a register list, and lists are misread: a column is missed, a revision changed it.
The address then is right and the number is not:

    same width     f32 for i32 or u32, signed for unsigned, and the other way round
    too narrow     u16 where the value has two registers: the first of them alone is 0, or nonsense
    too wide       u32 where the value has one register: its neighbour is taken for the lower half

Where the new type says nothing of the scale (floats), voltages, currents and powers each get the power of ten
that makes them fit, and pay for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from functools import lru_cache
from math import hypot, isfinite, log10
from typing import NamedTuple

from probe.judge.diagnosis.inside import Size, volts_of
from probe.judge.diagnosis.picture import Picture, middle, picture
from probe.judge.diagnosis.priors import Kind, cost
from probe.judge.diagnosis.registers import Item, Other, Read, is_number
from probe.judge.diagnosis.way import GROUPS, KEPT, POWERS, Known, Way, times_ten
from probe.judge.diagnosis.wiring import Part
from probe.model.codec import Encoding, make_decoder
from probe.model.number_codec import IntegerDecoder
from probe.model.profile import Decoder

#: Largest power of ten of a scale that comes with another type, and what each free choice of one costs.
MOST_POWER, FREE_POWER = 4, -1.5
#: A type that is wrong for one sort of values only is less likely than one that is wrong for all.
ONE_GROUP = 1 / 4
#: Sorts of values that a list may give another type than the rest.
_SORTS: Mapping[str, tuple[str, ...]] = {
    "voltages, currents and powers": (*GROUPS["voltages"], *GROUPS["currents"], *POWERS),
    **{name: GROUPS[name] for name in ("voltages", "currents", "powers")},
}
#: Bytes in the order of the number, of one and of two registers.
_PLAIN, _FIRST_LOW = "ABCD", "CDAB"


class As(NamedTuple):
    """One way to take a number. type: with ``?`` for signed or not as the profile has it. order: "" as the
    profile has it. size: registers; offset: so many behind the point's first."""

    type: str
    size: int
    order: str = ""
    offset: int = 0

    @property
    def is_float(self) -> bool:
        """True for floats, which come with a scale of their own."""
        return self.type[0] == "f"

    def of(self, name: str) -> str:
        """The type that a point of the named type really has."""
        return self.type.replace("?", name[0])

    def words(self, names: Sequence[str]) -> str:
        """As a profile's line would say it, for people. names: the types as the profile has them."""
        types = " and ".join(dict.fromkeys(self.of(name) for name in names))
        if self.offset:
            return f"{types} in the second of their two registers"
        return f"{types} in order {self.order}" if self.order and self.size > 1 else types


def _both_orders(type_name: str) -> tuple[As, ...]:
    return As(type_name, 2, _PLAIN), As(type_name, 2, _FIRST_LOW)


def _either_register(type_name: str) -> tuple[As, ...]:
    return As(type_name, 1, "AB"), As(type_name, 1, "AB", 1)


_SAME_WIDTH: Mapping[str, tuple[As, ...]] = {
    "u16": (As("i16", 1),),
    "i16": (As("u16", 1),),
    "u32": (As("i32", 2), As("f32", 2)),
    "i32": (As("u32", 2), As("f32", 2)),
    "f32": (As("i32", 2), As("u32", 2)),
}
#: A width is mistaken for signed and unsigned numbers alike.
_OTHER_WIDTH: Mapping[tuple[str, ...], tuple[As, ...]] = {
    ("u16", "i16"): (*_both_orders("?32"), *_both_orders("f32")),
    ("u32", "i32"): _either_register("?16"),
    ("f32",): (*_either_register("u16"), *_either_register("i16")),
}


def retypings(known: Known) -> Iterator[Way]:
    """All other types worth trying, for all points of a type and for one sort of them."""
    plain = [i for i in known.registers.items if _is_plain(i) and i.electrical.key not in known.apart]
    for name in dict.fromkeys(item.point.type for item in plain):
        mine = [item for item in plain if item.point.type == name]
        for group, items, share in _sorts(known, mine):
            for instead in _SAME_WIDTH.get(name, ()):
                if instead.is_float or name == "f32" or _has_high_bit(known, items):
                    yield from _as_type(known, items, group, instead, share / 3)
    for names, others in _OTHER_WIDTH.items():
        mine = [item for item in plain if item.point.type in names]
        for group, items, share in _sorts(known, mine) if mine else ():
            if not _is_packed(known, items):
                for instead in others:
                    yield from _as_type(known, items, group, instead, share / 8)


def _is_plain(item: Item) -> bool:
    return is_number(item.point) and item.electrical.key[0] in KEPT and not item.point.scale_factor


def _sorts(known: Known, mine: list[Item]) -> Iterator[tuple[str, list[Item], float]]:
    """All points of the type, those of each sort, and those that fit nothing, each with its share.

    Sorts without a value that fits nothing are left out: it would be put right by nothing.
    """
    wrong = [item for item in mine if item.electrical.key in known.bad]
    done: list[list[Item]] = []
    if wrong or not known.bad:
        done.append(mine)
        yield "", mine, 1.0
    for group, quantities in _SORTS.items() if wrong else ():
        items = [item for item in mine if item.electrical.key[0] in quantities]
        if items and items not in done and any(item in wrong for item in items):
            done.append(items)
            yield group, items, ONE_GROUP
    touched = {item.electrical.key[0] for item in wrong}
    items = [item for item in mine if item.electrical.key[0] in touched]
    if items and items not in done:
        yield "some of them", items, ONE_GROUP


def _is_packed(known: Known, items: Sequence[Item]) -> bool:
    """True if most of the points stand so close that none can be wider than it is read."""
    if items[0].point.count > 1:
        return False
    taken = {i.point.start for i in known.registers.items if i.point.area is items[0].point.area}
    return sum(item.point.start + 1 in taken for item in items) > len(items) / 2


def _has_high_bit(known: Known, items: Sequence[Item]) -> bool:
    """True if signed and unsigned differ for one of them."""
    for item in items:
        value = known.base.values.get(item.electrical.key)
        raw = item.block.raw(item.point.start, item.point.count)
        there = raw is not None and value is not None and bool(item.point.order)
        if there and raw is not None and raw[item.point.order.index("A")] & 0x80:
            return True
    return False


def _as_type(known: Known, items: list[Item], group: str, instead: As, share: float) -> Iterator[Way]:
    names = list(dict.fromkeys(item.point.type for item in items))
    name = " and ".join(names)
    keeps_scale = not instead.is_float and "f32" not in names
    others = {item.point.name: _other(item, instead, scaled=keeps_scale) for item in items}
    read = known.registers.reread(known.base, others=others)
    keys = frozenset(item.electrical.key for item in items)
    prior, size = cost(Kind.TYPE, share), known.size
    parts = (Part(Kind.TYPE, instead.words(names), f"{name} ({group})" if group else name),)
    if keeps_scale:
        yield Way(parts, read, keys, prior, size)
        return
    for sized, choices in _sized(read, size):
        yield Way(parts, sized, keys, prior + choices, size)


def _other(item: Item, instead: As, *, scaled: bool) -> Other:
    scale, decoder = Decimal(1), item.point.decoder
    if scaled and isinstance(decoder, IntegerDecoder):
        scale = Decimal(decoder.scale.gain) / Decimal(decoder.scale.divisor)
    order = instead.order or item.point.order
    name = instead.of(item.point.type)
    return Other(_decoder(name, instead.size, order, scale), instead.size, instead.offset)


@lru_cache(maxsize=256)
def _decoder(name: str, size: int, order: str, scale: Decimal) -> Decoder:
    return make_decoder(Encoding(type=name, count=size, order=order, scale=scale))


# powers of ten that come with a type ------------------------------------------------------------------------


def _sized(read: Read, size: Size) -> Iterator[tuple[Read, float]]:
    """The values with voltages, currents and powers each times the power of ten that makes them fit, and
    what so many free choices cost.

    Powers beyond ``MOST_POWER`` are no scale of any device: the bits of floats, taken for whole numbers, are
    all near a thousand million, and a free power of ten would make any of them look like a sound voltage.
    """
    volt = _volt_power(picture(read.values), size)
    volts = times_ten(read, GROUPS["voltages"], volt)
    for amp in _amp_powers(picture(volts.values), size):
        amps = times_ten(volts, GROUPS["currents"], amp)
        watt = _watt_power(picture(amps.values))
        powers = [volt, amp, watt]
        if any(abs(power) > MOST_POWER for power in powers):
            continue
        yield _rest_sized(times_ten(amps, POWERS, watt), size), FREE_POWER * sum(map(bool, powers))


def _rest_sized(read: Read, size: Size) -> Read:
    """Power factor and frequency times the power of ten that makes them fit."""
    seen = picture(read.values)
    factor, hertz = abs(seen.factors[3][0]), seen.hertz[0]
    if isfinite(factor) and 1.5 < factor < 1e6:
        read = times_ten(read, ("power_factor",), -_tens(factor) - 1)
    if isfinite(hertz) and 1e-6 < hertz < 1e8:
        read = times_ten(read, ("frequency",), round(log10(size.hertz / hertz)))
    return read


def _volt_power(seen: Picture, size: Size) -> int:
    usual, nominal = middle(seen.lines), size.line_v
    if not isfinite(usual):
        usual, nominal = middle(seen.volts), size.phase_v
    return round(log10(nominal / usual)) if usual > 0 else 0


def _amp_powers(seen: Picture, size: Size) -> tuple[int, ...]:
    largest = max((abs(i[0]) for i in seen.amps if isfinite(i[0])), default=0.0)
    if not largest:
        return (0,)
    top = int(-_tens(largest / (1.3 * (size.rating_a or 1000.0)))) - 1
    return (top, top - 1)


def _watt_power(seen: Picture) -> int:
    parts = zip(volts_of(seen), seen.amps, strict=True)
    product = sum(v * abs(i[0]) for v, i in parts if isfinite(v * i[0]))
    shown = _apparent(seen)
    return round(log10(product / shown)) if product > 0 and shown > 0 and isfinite(product / shown) else 0


def _tens(value: float) -> int:
    """Whole power of ten at or below the value."""
    return int(log10(value) // 1)


def _apparent(seen: Picture) -> float:
    """Total apparent power as shown, by what there is; 0 for nothing."""
    for value in (seen.totals[2][0], hypot(seen.totals[0][0], seen.totals[1][0]), abs(seen.totals[0][0])):
        if isfinite(value) and value:
            return abs(value)
    return 0.0
