"""Ways in which a device's registers may have to be read: orders, addresses, types, powers of ten, ratios.

Each way gives the values as they would be, the faults that it assumes, and its prior. Only ways that could
put something right are tried: powers of ten are taken from what the other values say, single points only
where they disagree with others.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import isfinite, log, log10, sqrt

from probe.judge.diagnosis.picture import Key, middle, picture
from probe.judge.diagnosis.priors import ONE_POINT, Kind, cost
from probe.judge.diagnosis.registers import Item, Read, Turn, is_number
from probe.judge.diagnosis.retyping import retypings
from probe.judge.diagnosis.way import GROUPS, KEPT, POWERS, Known, Way, multiplied, times_ten
from probe.judge.diagnosis.wiring import Part
from probe.judge.proof import turned

#: Standard nominal voltages, line to line, V. Source: IEC 60038 and ANSI C84.1 (from memory).
NOMINAL_V = (208.0, 220.0, 230.0, 240.0, 380.0, 400.0, 415.0, 440.0, 480.0, 500.0, 575.0, 600.0, 690.0)
#: The same of one phase. Source: IEC 60038 and ANSI C84.1 (from memory).
PHASE_V = (100.0, 110.0, 120.0, 127.0, 200.0, 220.0, 230.0, 240.0, 254.0, 277.0, 347.0)
_TURNS = (("words", (True, False)), ("bytes", (False, True)), ("both", (True, True)))
#: A fault of all registers while a proof point fits: hardly possible.
PROOF_FITS = -7.0
#: Ratios further off than this (a logarithm) are no ratios of transformers.
MOST_RATIO = log(30.0)


def ways(known: Known) -> Iterator[Way]:
    """All ways worth trying; the plain one is not among them."""
    yield from _orders(known)
    yield from _addresses(known)
    yield from retypings(known)
    yield from scales(known)
    yield from _signs(known)
    yield from _settings(known)


# byte order ------------------------------------------------------------------------------------------------


def _orders(known: Known) -> Iterator[Way]:
    wide = [i for i in known.registers.items if i.point.count > 1 and is_number(i.point)]
    if not wide:
        return
    proof = PROOF_FITS if known.proven else 0.0
    keys = frozenset(i.electrical.key for i in wide)
    for _, turn in _TURNS:
        yield from _orders_of_points(known, wide, turn)
        if keys & known.apart:
            continue
        shown = next((i.point for i in wide if i.point.count == 2), wide[0].point)
        letters = turned(shown.order.encode(), turn).decode()
        turns = {i.point.name: _turner(turn) for i in wide}
        read = known.registers.reread(known.base, turns=turns)
        yield Way((Part(Kind.ORDER, letters),), read, keys, cost(Kind.ORDER, 1 / 3) + proof, known.size)


def _orders_of_points(known: Known, wide: list[Item], turn: tuple[bool, bool]) -> Iterator[Way]:
    wanted = known.bad - known.apart
    wrong = [i for i in wide if i.electrical.key in wanted and i.electrical.key[0] in KEPT]
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
    if known.apart:
        return
    proof = PROOF_FITS if known.proven else 0.0
    keys = frozenset(item.electrical.key for item in known.registers.items)
    for shift, share in ((1, 0.4), (-1, 0.4), (2, 0.1), (-2, 0.1)):
        read = known.registers.reread(known.base, shift=shift)
        beside = known.registers.beside(shift) - known.registers.beside(0)
        parts = (Part(Kind.ADDRESS, f"{shift:+d}"),)
        prior = cost(Kind.ADDRESS, share) + proof + max(min(beside, 12.0), -12.0)
        yield Way(parts, read, keys, prior, known.size)


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
    read = times_ten(known.base, quantities, -power)
    keys = frozenset(key for key in known.base.values if key[0] in quantities)
    share = (0.5 if group in ("voltages", "currents", "powers") else 0.1) / 6
    return Way((Part(Kind.SCALE, f"{power:+d}", group),), read, keys, cost(Kind.SCALE, share), known.size)


def _scales_of_points(known: Known) -> Iterator[Way]:
    points = {item.electrical.key: item.point for item in known.registers.items}
    many = max(len(points), 1)
    for key in known.bad:
        if key[0] not in KEPT or key not in points or key not in known.base.values:
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


# signs -----------------------------------------------------------------------------------------------------

#: Powers whose sign may be the other way round, and the share of each.
SIGNS: Mapping[str, tuple[tuple[str, ...], float]] = {
    "active and reactive powers": (("power_active", "power_reactive"), 0.4),
    "active powers": (("power_active",), 0.4),
    "reactive powers": (("power_reactive",), 0.2),
}


def _signs(known: Known) -> Iterator[Way]:
    """Powers counted the other way round; only those that are shown as negative."""
    for where, (quantities, share) in SIGNS.items():
        if all(_is_negative(known, quantity) for quantity in quantities[:1]):
            read = multiplied(known.base, lambda key, of=quantities: -1.0 if key[0] in of else 1.0)  # type: ignore[misc]
            keys = frozenset(key for key in known.base.values if key[0] in quantities)
            parts = (Part(Kind.SIGN, where, where),)
            yield Way(parts, read, keys, cost(Kind.SIGN, share), known.size)


def _is_negative(known: Known, quantity: str) -> bool:
    """True if the quantity is shown as negative altogether."""
    shown = known.base.values
    whole = shown.get((quantity, "total"))
    values = [whole] if whole else [shown[key] for p in "abc" if (key := (quantity, p)) in shown]
    return sum(value for value, _ in values) < 0


# ratios and settings ---------------------------------------------------------------------------------------


def _settings(known: Known) -> Iterator[Way]:
    seen, size = picture(known.base.values), known.size
    lines, volts = middle(seen.lines), middle(seen.volts)
    if size.single:
        yield from _of_one_phase(known, volts)
        return
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


def _of_one_phase(known: Known, volts: float) -> Iterator[Way]:
    """Ratio or nominal voltage of a single phase."""
    if not isfinite(volts) or volts <= 0 or not 0.06 < abs(log(known.size.phase_v / volts)) < MOST_RATIO:
        return
    yield volt_ratio(known, known.size.phase_v / volts)
    for nominal in PHASE_V:
        if abs(log(volts / nominal)) < 0.06:
            parts = (Part(Kind.NOMINAL, f"{nominal:g}"),)
            size = known.size._replace(line_v=nominal * sqrt(3))
            yield Way(parts, known.base, frozenset(), cost(Kind.NOMINAL, 1 / 4), size)


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
