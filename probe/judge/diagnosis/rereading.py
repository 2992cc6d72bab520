"""Ways in which a device's registers may have to be read: orders, addresses, types, powers of ten, ratios.

Each way gives the values as they would be, the faults that it assumes, and its prior. Only ways that could
put something right are tried: powers of ten are taken from what the other values say, single points only
where they disagree with others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from math import hypot, isfinite, log, log10, sqrt
from typing import NamedTuple

from probe.judge.diagnosis.inside import Size, volts_of
from probe.judge.diagnosis.picture import Key, Picture, Sight, middle, picture
from probe.judge.diagnosis.priors import ONE_POINT, Kind, cost
from probe.judge.diagnosis.registers import Item, Read, Registers, Turn, is_number
from probe.judge.diagnosis.wiring import Part
from probe.judge.proof import turned
from probe.model.codec import Encoding, make_decoder
from probe.model.profile import Decoder, Point

#: Groups of quantities that are set or scaled together, by the words that people use.
GROUPS: Mapping[str, tuple[str, ...]] = {
    "voltages": ("voltage_phase", "voltage_line"),
    "voltages to neutral": ("voltage_phase",),
    "line voltages": ("voltage_line",),
    "currents": ("current",),
    "powers": ("power_active", "power_reactive", "power_apparent"),
    "active powers": ("power_active",),
    "reactive powers": ("power_reactive",),
    "apparent powers": ("power_apparent",),
    "power factors": ("power_factor",),
    "frequency": ("frequency",),
}
POWERS = GROUPS["powers"]
#: Standard nominal voltages, line to line, V. Source: IEC 60038 and ANSI C84.1 (from memory).
NOMINAL_V = (208.0, 220.0, 230.0, 240.0, 380.0, 400.0, 415.0, 440.0, 480.0, 500.0, 575.0, 600.0, 690.0)
_TURNS = (("words", (True, False)), ("bytes", (False, True)), ("both", (True, True)))
#: A fault of all registers while a proof point fits: hardly possible.
PROOF_FITS = -7.0
#: Ratios further off than this (a logarithm) are no ratios of transformers.
MOST_RATIO = log(30.0)
#: Largest power of ten of a scale that comes with another type, and what each free choice of one costs.
MOST_POWER, FREE_POWER = 4, -1.5
_KEPT = frozenset({"voltage_phase", "voltage_line", "current", *POWERS, "power_factor", "frequency"})


class Way(NamedTuple):
    """One way of reading. keys: values that it changes. size: what the circuit is drawn for, under it."""

    parts: tuple[Part, ...]
    read: Read
    keys: frozenset[Key]
    log_prior: float
    size: Size


class Known(NamedTuple):
    """What the ways start from. bad: keys of values that disagree with others as they stand."""

    registers: Registers
    base: Read
    size: Size
    bad: frozenset[Key]
    proven: bool  # proof points were read and fit


def ways(known: Known) -> Iterator[Way]:
    """All ways worth trying; the plain one is not among them."""
    yield from _orders(known)
    yield from _addresses(known)
    yield from _types(known)
    yield from scales(known)
    yield from _settings(known)


# byte order ------------------------------------------------------------------------------------------------


def _orders(known: Known) -> Iterator[Way]:
    wide = [i for i in known.registers.items if i.point.count > 1 and is_number(i.point)]
    if not wide:
        return
    proof = PROOF_FITS if known.proven else 0.0
    for name, turn in _TURNS:
        shown = next((i.point for i in wide if i.point.count == 2), wide[0].point)
        letters = turned(shown.order.encode(), turn).decode()
        turns = {i.point.name: _turner(turn) for i in wide}
        read = known.registers.reread(known.base, turns=turns)
        keys = frozenset(i.electrical.key for i in wide)
        yield Way((Part(Kind.ORDER, letters),), read, keys, cost(Kind.ORDER, 1 / 3) + proof, known.size)
        yield from _orders_of_points(known, wide, name, turn)


def _orders_of_points(known: Known, wide: list[Item], _name: str, turn: tuple[bool, bool]) -> Iterator[Way]:
    wrong = [i for i in wide if i.electrical.key in known.bad and i.electrical.key[0] in _KEPT]
    share = ONE_POINT / 3 / max(len(wide), 1)
    for item in wrong:
        read = known.registers.reread(known.base, turns={item.point.name: _turner(turn)})
        letters = turned(item.point.order.encode(), turn).decode()
        parts = (Part(Kind.ORDER, letters, item.point.name),)
        yield Way(parts, read, frozenset({item.electrical.key}), cost(Kind.ORDER, share), known.size)


def _turner(turn: tuple[bool, bool]) -> Turn:
    return lambda raw: turned(raw, turn)


# addresses -------------------------------------------------------------------------------------------------


def _addresses(known: Known) -> Iterator[Way]:
    proof = PROOF_FITS if known.proven else 0.0
    keys = frozenset(item.electrical.key for item in known.registers.items)
    for shift, share in ((1, 0.4), (-1, 0.4), (2, 0.1), (-2, 0.1)):
        read = known.registers.reread(known.base, shift=shift)
        beside = known.registers.beside(shift) - known.registers.beside(0)
        parts = (Part(Kind.ADDRESS, f"{shift:+d}"),)
        prior = cost(Kind.ADDRESS, share) + proof + max(min(beside, 12.0), -12.0)
        yield Way(parts, read, keys, prior, known.size)


# types -----------------------------------------------------------------------------------------------------

#: Types that may be taken for others of the same width.
_INSTEAD = (
    (("u16",), ("i16",)),
    (("i16",), ("u16",)),
    (("u32",), ("i32",)),
    (("i32",), ("u32",)),
    (("u32", "i32"), ("f32",)),
    (("f32",), ("i32", "u32")),
)


def _types(known: Known) -> Iterator[Way]:
    """Another type for all points of one; powers of ten are then taken from what the values say."""
    numbers = [i for i in known.registers.items if is_number(i.point) and i.electrical.key[0] in _KEPT]
    plain = [item for item in numbers if not item.point.scale_factor]
    touched = {key[0] for key in known.bad}
    for types, others in _INSTEAD:
        mine = [item for item in plain if item.point.type in types]
        for other in others if mine else ():
            if other == "f32" or types == ("f32",) or _has_high_bit(known, mine):
                yield from _as_type(known, mine, other)
                wrong = [item for item in mine if item.electrical.key[0] in touched]
                if 0 < len(wrong) < len(mine):
                    yield from _as_type(known, wrong, other)


def _has_high_bit(known: Known, items: list[Item]) -> bool:
    """True if signed and unsigned differ for one of them."""
    for item in items:
        value = known.base.values.get(item.electrical.key)
        raw = item.block.raw(item.point.start, item.point.count)
        there = raw is not None and value is not None and bool(item.point.order)
        if there and raw is not None and raw[item.point.order.index("A")] & 0x80:
            return True
    return False


def _as_type(known: Known, items: list[Item], other: str) -> Iterator[Way]:
    keeps_scale = other[0] in "ui" and items[0].point.type[0] in "ui"
    decoders = {item.point.name: _decoder(item.point, other, scaled=keeps_scale) for item in items}
    read = known.registers.reread(known.base, decoders=decoders)
    keys = frozenset(item.electrical.key for item in items)
    prior = cost(Kind.TYPE, 1 / 3)
    size = known.size
    if keeps_scale:
        yield Way((Part(Kind.TYPE, other, items[0].point.type),), read, keys, prior, size)
        # One point alone may have the wrong sign: its neighbours of the same type do not show it.
        return
    parts = (Part(Kind.TYPE, other, items[0].point.type),)
    for sized, choices in _sized(read, size):
        yield Way(parts, sized, keys, prior + choices, size)


def _decoder(point: Point, other: str, *, scaled: bool) -> Decoder:
    scale = Decimal(1)
    decoder = point.decoder
    if scaled and hasattr(decoder, "scale"):
        scale = Decimal(decoder.scale.gain) / Decimal(decoder.scale.divisor)
    return make_decoder(Encoding(type=other, count=point.count, order=point.order, scale=scale))


def _sized(read: Read, size: Size) -> Iterator[tuple[Read, float]]:
    """The values with voltages, currents and powers each times the power of ten that makes them fit, and
    what so many free choices cost.

    Powers beyond ``MOST_POWER`` are no scale of any device: the bits of floats, taken for whole numbers, are
    all near a thousand million, and a free power of ten would make any of them look like a sound voltage.
    """
    volt = _volt_power(picture(read.values), size)
    volts = _times(read, GROUPS["voltages"], volt)
    for amp in _amp_powers(picture(volts.values), size):
        amps = _times(volts, GROUPS["currents"], amp)
        watt = _watt_power(picture(amps.values))
        powers = [volt, amp, watt]
        if any(abs(power) > MOST_POWER for power in powers):
            continue
        yield _rest_sized(_times(amps, POWERS, watt), size), FREE_POWER * sum(map(bool, powers))


def _rest_sized(read: Read, size: Size) -> Read:
    """Power factor and frequency times the power of ten that makes them fit."""
    seen = picture(read.values)
    factor, hertz = abs(seen.factors[3][0]), seen.hertz[0]
    if isfinite(factor) and 1.5 < factor < 1e6:
        read = _times(read, ("power_factor",), -_tens(factor) - 1)
    if isfinite(hertz) and 1e-6 < hertz < 1e8:
        read = _times(read, ("frequency",), round(log10(size.hertz / hertz)))
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
    product = sum(v * abs(i[0]) for v, i in zip(volts_of(seen), seen.amps, strict=True))
    shown = _apparent(seen)
    return round(log10(product / shown)) if product > 0 and shown > 0 and isfinite(product / shown) else 0


def _tens(value: float) -> int:
    """Whole power of ten at or below the value."""
    made = log10(value)
    return int(made // 1)


def _apparent(seen: Picture) -> float:
    """Total apparent power as shown, by what there is; 0 for nothing."""
    for value in (seen.totals[2][0], hypot(seen.totals[0][0], seen.totals[1][0]), abs(seen.totals[0][0])):
        if isfinite(value) and value:
            return abs(value)
    return 0.0


def _times(read: Read, quantities: tuple[str, ...], power: int) -> Read:
    return multiplied(read, lambda key: 10.0**power if key[0] in quantities else 1.0) if power else read


def multiplied(read: Read, factor: Callable[[Key], float]) -> Read:
    """The values times a factor that depends on the key; what could not be may now be."""
    values: dict[Key, Sight] = {}
    odd = dict(read.odd)
    for key, (value, half) in read.values.items():
        times = factor(key)
        if times != 1.0:
            values[key] = (value * times, half * times)
            odd.pop(key, None)
        else:
            values[key] = (value, half)
    return Read(values, odd)


# powers of ten ---------------------------------------------------------------------------------------------


def scales(known: Known) -> Iterator[Way]:
    """Groups and single points by powers of ten."""
    present = {key[0] for key in known.base.values}
    touched = {key[0] for key in known.bad}
    for group, quantities in GROUPS.items():
        mine = [quantity for quantity in quantities if quantity in present]
        if not mine or not touched & set(mine) or (len(quantities) > 1 and len(mine) == 1):
            continue
        if sum(key[0] in mine for key in known.base.values) == 1 and group != "frequency":
            continue  # one point: that is a way of its own
        for power in (-3, -2, -1, 1, 2, 3):
            yield _scale(known, group, tuple(mine), power)
    yield from _scales_of_points(known)


def _scale(known: Known, group: str, quantities: tuple[str, ...], power: int) -> Way:
    """The group is shown ten to the power times too large."""
    read = _times(known.base, quantities, -power)
    keys = frozenset(key for key in known.base.values if key[0] in quantities)
    share = (0.5 if group in ("voltages", "currents", "powers") else 0.1) / 6
    return Way((Part(Kind.SCALE, f"{power:+d}", group),), read, keys, cost(Kind.SCALE, share), known.size)


def _scales_of_points(known: Known) -> Iterator[Way]:
    points = {item.electrical.key: item.point for item in known.registers.items}
    many = max(len(points), 1)
    for key in known.bad:
        if key[0] not in _KEPT or key not in points or key not in known.base.values:
            continue
        for power in _powers_of(known.base, key):
            read = multiplied(known.base, lambda k, key=key, power=power: 10.0**-power if k == key else 1.0)  # type: ignore[misc]
            parts = (Part(Kind.SCALE, f"{power:+d}", points[key].name),)
            prior = cost(Kind.SCALE, ONE_POINT / many / 6)
            yield Way(parts, read, frozenset({key}), prior, known.size)


def _powers_of(read: Read, key: Key) -> tuple[int, ...]:
    """Powers of ten by which the value may be too large, by its likes; several where it has none."""
    value = abs(read.values[key][0])
    likes = sorted(
        abs(other[0])
        for name, other in read.values.items()
        if name[0] == key[0] and name != key and name[1] not in ("total", "average", "n", "g")
    )
    if key[1] == "total" or not likes or not value or not likes[len(likes) // 2]:
        return (-3, -2, -1, 1, 2, 3)
    power = round(log10(value / likes[len(likes) // 2]))
    return (power,) if power and abs(power) <= 6 else ()


# ratios and settings ---------------------------------------------------------------------------------------


def _settings(known: Known) -> Iterator[Way]:
    seen, size = picture(known.base.values), known.size
    lines, volts = middle(seen.lines), middle(seen.volts)
    if isfinite(lines) and isfinite(volts) and lines and volts:
        yield _missed(known, {"voltage_phase": 1 / sqrt(3)}, "to neutral")
        yield _missed(known, {"voltage_line": sqrt(3)}, "between phases")
    coherent = {"voltage_phase": 1.0, "voltage_line": 1.0, **dict.fromkeys(POWERS, 1.0)}
    for factor, where in ((1 / sqrt(3), "high"), (sqrt(3), "low")):
        yield _missed(known, dict.fromkeys(coherent, factor), where)
    usual = lines if isfinite(lines) else volts * sqrt(3)
    if not isfinite(usual) or usual <= 0:
        return
    ratio = size.line_v / usual
    if 0.06 < abs(log(ratio)) < MOST_RATIO:
        yield volt_ratio(known, ratio)
        for nominal in NOMINAL_V:
            if abs(log(usual / nominal)) < 0.06 and nominal != size.line_v:
                parts = (Part(Kind.NOMINAL, f"{nominal:g}"),)
                share = 1 / 4
                yield Way(
                    parts, known.base, frozenset(), cost(Kind.NOMINAL, share), size._replace(line_v=nominal)
                )


def _missed(known: Known, factors: Mapping[str, float], where: str) -> Way:
    read = multiplied(known.base, lambda key: factors.get(key[0], 1.0))
    keys = frozenset(key for key in known.base.values if key[0] in factors)
    return Way((Part(Kind.MISSET, where),), read, keys, cost(Kind.MISSET, 1 / 4), known.size)


def volt_ratio(known: Known, ratio: float) -> Way:
    """All voltages and powers times one factor: what the transformers' ratio must be multiplied by."""
    factors = dict.fromkeys((*GROUPS["voltages"], *POWERS), ratio)
    read = multiplied(known.base, lambda key: factors.get(key[0], 1.0))
    keys = frozenset(key for key in known.base.values if key[0] in factors)
    # The factor was taken from the voltages themselves: that it fits them says little (Occam).
    prior = cost(Kind.VOLT_RATIO) - 3.0
    return Way((Part(Kind.VOLT_RATIO, f"{1 / ratio:.3g}"),), read, keys, prior, known.size)


def amp_ratio(known: Known, ratio: float, *, told: bool) -> Way:
    """All currents and powers times one factor. told: the device itself shows the wrong ratio."""
    factors = dict.fromkeys(("current", *POWERS), ratio)
    read = multiplied(known.base, lambda key: factors.get(key[0], 1.0))
    keys = frozenset(key for key in known.base.values if key[0] in factors)
    prior = cost(Kind.AMP_RATIO) - (0.0 if told else 3.0)
    return Way((Part(Kind.AMP_RATIO, f"{1 / ratio:.3g}"),), read, keys, prior, known.size)
