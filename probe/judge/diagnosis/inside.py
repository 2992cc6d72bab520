"""How well one device's values agree with each other and with the size of its circuit: terms of a likelihood.

Nothing here asks how the instrument is wired: it computes all it shows from what arrives at its inputs, so a
wrong wiring leaves these terms alone. What it says of the wiring is in ``flow``.

    line against phase voltages    the triangle of two phases, 120 degrees apart give or take
    averages, totals               against the phases
    apparent power                 against volts times amperes; totals between vector and arithmetic sum
    power factor                   its size against active by apparent power
    level                          of voltage, frequency and current against nominal and rating

Source: IEEE 1459 (definitions, from memory); widths beyond the snapshot's: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import hypot, isfinite, log, sqrt
from typing import NamedTuple

from probe.judge.diagnosis.density import beyond, fit
from probe.judge.diagnosis.picture import PAIRS, PHASES, Key, Picture, Sight, Three, is_single, middle

#: Angle between two phases may depart so far that a line voltage is off by this share.
ANGLE_SHARE = 0.012
#: One standard deviation of a phase against the others, of the level against nominal, of the frequency.
PHASE_SHARE, LEVEL_SHARE, HERTZ = 0.012, 0.04, 0.25
#: A current may stand this far above its rating (a share of it) before it is strange.
OVERLOAD = 1.15
#: Active by apparent power, as computed from other values, may be off by this.
FACTOR_WIDTH = 0.03

_NAMES = (("voltage_phase", PHASES), ("voltage_line", PAIRS), ("current", PHASES))


class Size(NamedTuple):
    """What the circuit is drawn for. line_v: nominal, or what others see on the bus, line to line (of one
    phase alone: its voltage times root three, as if there were others); level_share: how far the voltage may
    stand from it, a share. single: one phase alone."""

    line_v: float
    hertz: float
    rating_a: float
    level_share: float = LEVEL_SHARE
    single: bool = False

    @property
    def phase_v(self) -> float:
        """To neutral."""
        return self.line_v / sqrt(3)


class Term(NamedTuple):
    """One residual: logarithm of its density, and the values that it is made of."""

    log: float
    keys: tuple[Key, ...]


def terms(seen: Picture, size: Size, missing: int = -1, no_current: int = -1) -> list[Term]:
    """All terms that these values allow. missing, no_current: number of the phase whose voltage or current
    is taken as not arriving, -1 for none."""
    return [
        *_triangles(seen),
        *_sums(seen),
        *_apparent(seen, missing),
        *_factors(seen, missing),
        *_level(seen, size, missing),
        *_currents(seen, size, no_current),
    ]


def total(found: Iterable[Term]) -> float:
    """The sum of the logarithms."""
    return sum(term.log for term in found)


def _sigma(*sights: Sight) -> float:
    """One standard deviation of a sum of values."""
    return 0.5 * sqrt(sum(half * half for _, half in sights))


def _share(sight: Sight) -> float:
    """One standard deviation of a value as a share of it."""
    value, half = sight
    return 0.5 * half / abs(value) if value else 1.0


def _log_ratio(one: float, other: float) -> float:
    """Logarithm of the ratio of two sizes; far off where one is zero and the other is not."""
    if one <= 0 or other <= 0:
        return 0.0 if one == other else 50.0
    return log(one / other)


def _triangles(seen: Picture) -> Iterator[Term]:
    volts = seen.volts
    for n, pair in enumerate(PAIRS):
        line, one, other = seen.lines[n], volts[n], volts[(n + 1) % 3]
        x, y = abs(one[0]), abs(other[0])
        expected = sqrt(x * x + y * y + x * y)
        if not (isfinite(line[0]) and isfinite(expected)):
            continue
        width = hypot(ANGLE_SHARE, _share(line), min(_share(one) + _share(other), 1.0))
        keys = (("voltage_line", pair), ("voltage_phase", pair[0]), ("voltage_phase", pair[1]))
        yield Term(fit(_log_ratio(abs(line[0]), expected) / width), keys)


def _sums(seen: Picture) -> Iterator[Term]:
    """Averages and totals against the phases."""
    volts, lines, amps, amps_total = seen.means
    yield from _mean(volts, seen.volts, ("voltage_phase", "average"), 1 / 3)
    yield from _mean(lines, seen.lines, ("voltage_line", "average"), 1 / 3)
    yield from _mean(amps, seen.amps, ("current", "average"), 1 / 3)
    yield from _mean(amps_total, seen.amps, ("current", "total"), 1.0)
    for n, (word, three) in enumerate((("active", seen.active), ("reactive", seen.reactive))):
        yield from _mean(seen.totals[n], three, (f"power_{word}", "total"), 1.0, signed=True)
    yield from _apparent_sum(seen)


def _mean(whole: Sight, parts: Three, key: Key, share: float, *, signed: bool = False) -> Iterator[Term]:
    values = [part[0] if signed else abs(part[0]) for part in parts]
    if not (isfinite(whole[0]) and all(map(isfinite, values))):
        return
    size = share * sum(map(abs, values))
    width = hypot(_sigma(whole, *((0.0, share * part[1]) for part in parts)), 0.003 * size + 1e-9)
    names = PAIRS if key[0] == "voltage_line" else PHASES
    expected = share * sum(values)
    value = whole[0] if signed else abs(whole[0])
    keys = (key, *((key[0], name) for name in names))
    if key == ("current", "total"):
        # Some show the vector sum, some the mean, as "total": only what exceeds the sum is strange.
        yield Term(beyond(value, -1.0, expected, width), keys)
    else:
        yield Term(fit((value - expected) / width), keys)


def _apparent_sum(seen: Picture) -> Iterator[Term]:
    """Total apparent power: the arithmetic or the vector sum, whichever is nearer."""
    whole, parts = seen.totals[2], seen.apparent
    if not (isfinite(whole[0]) and all(isfinite(part[0]) for part in parts)):
        return
    size = sum(abs(part[0]) for part in parts)
    width = hypot(_sigma(whole, *parts), 0.005 * size + 1e-9)
    ways = [size]
    vector = hypot(seen.totals[0][0], seen.totals[1][0])
    if isfinite(vector):
        ways.append(vector)
    keys = (("power_apparent", "total"), *(("power_apparent", name) for name in PHASES))
    yield Term(fit(_nearest(whole[0], ways) / width), keys)


def _nearest(value: float, ways: list[float]) -> float:
    return min(abs(value - way) for way in ways)


def volts_of(seen: Picture, missing: int = -1) -> tuple[float, float, float]:
    """Voltage to neutral of each phase; from the line voltages where no other is shown; else NaN.

    missing: number of the phase whose voltage does not arrive, -1 for none.
    """
    a, b, c = (abs(sight[0]) for sight in seen.volts)
    if isfinite(a + b + c):
        return a, b, c
    if missing < 0:
        if is_single(seen):
            return a, b, c
        even = middle(seen.lines) / sqrt(3)
        return even, even, even
    even = abs(seen.lines[(missing + 1) % 3][0]) / sqrt(3)
    x, y, z = (0.0 if n == missing else even for n in range(3))
    return x, y, z


def _apparent(seen: Picture, missing: int) -> Iterator[Term]:
    volts = volts_of(seen, missing)
    products = [v * abs(i[0]) for v, i in zip(volts, seen.amps, strict=True)]
    for n, name in enumerate(PHASES):
        yield from _apparent_phase(seen, n, name, products[n])
    size = sum(products)
    if not isfinite(size):
        return
    active, reactive, apparent = seen.totals
    spread = 0.5 * sum(v * i[1] for v, i in zip(volts, seen.amps, strict=True))
    amps = tuple(("current", name) for name in PHASES)
    sorts = ("voltage_phase", PHASES) if isfinite(seen.volts[0][0]) else ("voltage_line", PAIRS)
    across = tuple((sorts[0], name) for name in sorts[1])
    vector = hypot(active[0], reactive[0])
    if isfinite(apparent[0]):
        width = hypot(_sigma(apparent), spread, 0.02 * size + 1e-9)
        ways = [size, vector] if isfinite(vector) else [size]
        keys = (("power_apparent", "total"), *amps, *across)
        yield Term(fit(_nearest(abs(apparent[0]), ways) / width), keys)
    limit = vector if isfinite(vector) else abs(active[0])
    if isfinite(limit):
        width = hypot(_sigma(active), spread, 0.02 * size + 1e-9)
        keys = (("power_active", "total"), ("power_reactive", "total"), *amps, *across)
        yield Term(beyond(limit, 0.0, size, width), keys)


def _apparent_phase(seen: Picture, n: int, name: str, product: float) -> Iterator[Term]:
    """One phase: volts times amperes against apparent power, and against active with reactive power."""
    if not isfinite(product):
        return
    amp, apparent = seen.amps[n], seen.apparent[n]
    spread = product * (_share(amp) + 0.005) if amp[0] else 0.5 * amp[1] * volts_of(seen)[n]
    base = (("current", name), ("voltage_phase", name))
    if isfinite(apparent[0]):
        width = hypot(_sigma(apparent), spread, 0.005 * product + 1e-9)
        yield Term(fit((abs(apparent[0]) - product) / width), (("power_apparent", name), *base))
    active, reactive = seen.active[n], seen.reactive[n]
    if isfinite(active[0]) and isfinite(reactive[0]):
        # Distortion takes a part of the apparent power, so the two may stand a little below the product.
        width = hypot(_sigma(active, reactive), spread, 0.02 * product + 1e-9)
        keys = (("power_active", name), ("power_reactive", name), *base)
        yield Term(beyond(hypot(active[0], reactive[0]), 0.93 * product, product, width), keys)
    elif isfinite(active[0]):
        width = hypot(_sigma(active), spread, 0.02 * product + 1e-9)
        yield Term(beyond(abs(active[0]), 0.0, product, width), (("power_active", name), *base))


def _factors(seen: Picture, missing: int) -> Iterator[Term]:
    volts = volts_of(seen, missing)
    products = [v * abs(i[0]) for v, i in zip(volts, seen.amps, strict=True)]
    for n, name in enumerate(PHASES):
        yield from _factor(seen.factors[n], seen.active[n], [seen.apparent[n][0], products[n]], name)
    vector = hypot(seen.totals[0][0], seen.totals[1][0])
    ways = [seen.totals[2][0], vector, sum(products)]
    yield from _factor(seen.factors[3], seen.totals[0], ways, "total")


def _factor(shown: Sight, active: Sight, apparent: list[float], name: str) -> Iterator[Term]:
    """The size of a factor against active by apparent power, by whichever apparent power fits best."""
    ways = [abs(s) for s in apparent if isfinite(s) and s]
    if not ways or not (isfinite(shown[0]) and isfinite(active[0])):
        return
    width = hypot(_sigma(shown), FACTOR_WIDTH, 0.5 * active[1] / max(ways))
    off = min(abs(abs(shown[0]) - abs(active[0]) / way) for way in ways)
    if abs(shown[0]) > 1:
        off = max(off, abs(shown[0]) - 1)
    keys = (("power_factor", name), ("power_active", name), ("power_apparent", name))
    yield Term(fit(off / width), keys)


def _level(seen: Picture, size: Size, missing: int) -> Iterator[Term]:
    """Voltages against nominal and each other; the frequency."""
    for three, nominal, quantity, names in (
        (seen.volts, size.phase_v, "voltage_phase", PHASES),
        (seen.lines, size.line_v, "voltage_line", PAIRS),
    ):
        usual = middle(three) if missing < 0 else _of_others(three, quantity, missing)
        if not isfinite(usual):
            continue
        keys = tuple((quantity, name) for name in names)
        yield Term(fit(_log_ratio(usual, nominal) / size.level_share), keys)
        for n, (value, half) in enumerate(three):
            if not isfinite(value):
                continue
            if _lacks(quantity, n, missing):
                # Anything from nothing to somewhat below the others, at a small fixed price.
                yield Term(-0.7 + beyond(abs(value), 0.0, 0.8 * usual, 0.05 * usual), (keys[n],))
            else:
                width = hypot(PHASE_SHARE, 0.5 * half / usual if usual else 1.0)
                yield Term(fit(_log_ratio(abs(value), usual) / width), (keys[n],))
    if isfinite(seen.hertz[0]):
        width = hypot(HERTZ, _sigma(seen.hertz))
        yield Term(fit((seen.hertz[0] - size.hertz) / width), (("frequency", ""),))


def _lacks(quantity: str, n: int, missing: int) -> bool:
    """True if the n-th value of three hangs on the phase that is missing."""
    if missing < 0:
        return False
    return n == missing if quantity == "voltage_phase" else missing in (n, (n + 1) % 3)


def _of_others(three: Three, quantity: str, missing: int) -> float:
    kept = [abs(s[0]) for n, s in enumerate(three) if isfinite(s[0]) and not _lacks(quantity, n, missing)]
    return sum(kept) / len(kept) if kept else float("nan")


def _currents(seen: Picture, size: Size, no_current: int) -> Iterator[Term]:
    """Currents against the rating, each other, and the neutral."""
    sizes = [abs(i[0]) for i in seen.amps]
    known = [i for i in sizes if isfinite(i)]
    if not known:
        return
    keys = tuple(("current", name) for name in PHASES)
    if size.rating_a:
        yield Term(beyond(max(known) / size.rating_a, 0.0, OVERLOAD, 0.1), keys)
    if len(known) == 3:
        usual = sorted(sizes)[1]
        floor = 0.01 * size.rating_a + 0.5
        for n, i in enumerate(sizes):
            if n == no_current:
                yield Term(-0.7 + beyond(i, 0.0, 0.03 * usual + floor, floor), (keys[n],))
            else:
                yield Term(fit(_log_ratio(i + floor, usual + floor) / 0.45), (keys[n],))
        neutral = seen.neutral
        if isfinite(neutral[0]):
            width = 0.1 * usual + 0.5 * neutral[1] + 1e-9
            yield Term(beyond(abs(neutral[0]), 0.0, 1.2 * sum(sizes), width), (("current", "n"), *keys))
