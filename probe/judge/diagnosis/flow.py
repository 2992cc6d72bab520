"""How likely the powers are, given how the instrument is wired: the part of the likelihood that knows it.

A load draws its current at some angle behind the voltage, much the same in the three phases. For every
wiring this angle is integrated out over what loads do (``_LOADS``); what is left is the probability of the
powers as they were shown, against that of powers at random, so that all wirings are held against one measure.

What the device shows decides how: angles of each phase (active and reactive power), cosines of each phase
and the total reactive power, or totals alone.

Spreads of angles: common practice, no source.
"""

from __future__ import annotations

from cmath import rect
from functools import lru_cache
from math import atan2, cos, degrees, exp, hypot, isfinite, log, nan, pi, radians, sin, sqrt, tau
from typing import NamedTuple

from probe.judge.diagnosis.inside import volts_of
from probe.judge.diagnosis.picture import Picture, is_single
from probe.judge.diagnosis.wiring import Wiring

STEP = 5
_GRID = 360 // STEP
#: Steps of the load's own angle, -90 to 90 degrees: no load goes beyond, that would be a source.
_OWN = tuple(range(-90 // STEP, 90 // STEP + 1))
#: Share, middle and spread (degrees) of the angle by which loads lag.
_LOADS = ((0.72, 27.0, 15.0), (0.18, 55.0, 15.0), (0.10, -15.0, 18.0))
#: The same for power that flows backwards, as the angle to that of pure backward power: a source feeds active
#: power, and what reactive power then flows, either way, is the business of loads and of its control.
_SOURCES = ((0.75, 0.0, 15.0), (0.25, 0.0, 50.0))
#: Share and spread (degrees) of one phase's angle against the others'.
_SPREADS = ((0.80, 5.0), (0.17, 14.0), (0.03, 35.0))
#: Probability of powers at random: some other trouble.
_STRANGE = 2e-5
#: A logarithm below which powers do not look like those of a load wired as it should be.
STRANGE_FLOW = -1.5
#: A current below this share of the rating (or of the largest) says nothing of its angle.
LEAST_SHARE = 0.015
LEAST_OF_LARGEST = 0.08


def _own_prior(parts: tuple[tuple[float, float, float], ...]) -> tuple[float, ...]:
    sizes = [
        sum(
            share / spread * exp(-0.5 * ((STEP * k - middle) / spread) ** 2)
            for share, middle, spread in parts
        )
        for k in _OWN
    ]
    return tuple(size / sum(sizes) for size in sizes)


_OF_LOADS, _OF_SOURCES = _own_prior(_LOADS), _own_prior(_SOURCES)
_COS = tuple(cos(radians(STEP * k)) for k in range(_GRID))
_SIN = tuple(sin(radians(STEP * k)) for k in range(_GRID))


class Flow(NamedTuple):
    """What the powers say, ready to be held against wirings.

    tables: of each phase, the density of what it shows at each angle of the grid, against chance; None for
    a phase that says nothing. whole: (P, Q) by sum of V x I with their spreads where totals are looked at,
    with the share of each phase in the sum. amps: currents; seen: angle of each phase's power, or NaN.
    """

    tables: tuple[tuple[float, ...] | None, ...]
    whole: tuple[float, float, float, float] | None
    shares: tuple[float, float, float]
    products: tuple[float, float, float]
    amps: tuple[float, float, float]
    neutral: tuple[float, float] | None
    seen: tuple[float, float, float]
    rotation: int  # 1, -1, or 0 where nothing tells
    full: bool
    active: tuple[float, float, float] = (nan, nan, nan)  # of each phase as shown, W


class Fit(NamedTuple):
    """log: of the probability against chance. angle: the load's own angle that fits best, degrees."""

    log: float
    angle: float


def flow_of(seen: Picture, rating_a: float, missing: int = -1) -> Flow | None:
    """The powers of a picture; None where too little flows, or nothing is shown, to say anything of wiring.

    missing: number of the phase whose voltage does not arrive, -1 for none.
    """
    volts = volts_of(seen, missing)
    amps = tuple(abs(i[0]) for i in seen.amps)
    phases: tuple[int, ...] = (0, 1, 2)
    if is_single(seen):
        volts, amps, phases = (volts[0], 0.0, 0.0), (amps[0], 0.0, 0.0), (0,)
    products = tuple(v * i for v, i in zip(volts, amps, strict=True))
    if not all(map(isfinite, products)) or not sum(products):
        return None
    least = max(LEAST_SHARE * rating_a, LEAST_OF_LARGEST * max(amps), 0.2)
    usual = max(volts)
    usable = [i >= least and v > 0.4 * usual for i, v in zip(amps, volts, strict=True)]
    if not any(usable):
        return None
    return _flow(seen, products, amps, usable, phases)  # type: ignore[arg-type]


def _flow(
    seen: Picture,
    products: tuple[float, float, float],
    amps: tuple[float, float, float],
    usable: list[bool],
    phases: tuple[int, ...],
) -> Flow | None:
    full = all(isfinite(seen.active[n][0] + seen.reactive[n][0]) for n in phases)
    by_phase = full or all(isfinite(seen.active[n][0]) for n in phases)
    size = sum(products)
    tables: list[tuple[float, ...] | None] = [None, None, None]
    angles = [float("nan")] * 3
    if by_phase:
        for n in phases:
            if usable[n]:
                tables[n] = (
                    _angle_table(seen, n, products[n]) if full else _cosine_table(seen, n, products[n])
                )
                if full:
                    angles[n] = degrees(atan2(seen.reactive[n][0], seen.active[n][0]))
    whole = None if full else _whole(seen, size, by_phase=by_phase)
    if not by_phase and (whole is None or not isfinite(whole[0])):
        return None
    shares = tuple(product / size for product in products)
    neutral = seen.neutral if isfinite(seen.neutral[0]) else None
    return Flow(
        tuple(tables), whole, shares, products, amps, neutral, tuple(angles), rotation_of(seen), full,  # type: ignore[arg-type]
        (seen.active[0][0], seen.active[1][0], seen.active[2][0]),
    )  # fmt: skip


def rotation_of(seen: Picture) -> int:
    """1 for a-b-c, -1 for a-c-b, 0 where the device does not tell."""
    b, c = seen.angles[1][0], seen.angles[2][0]
    if isfinite(b) and isfinite(c):
        if abs((b + 120 + 180) % 360 - 180) < 30 and abs((c - 120 + 180) % 360 - 180) < 30:
            return 1
        if abs((b - 120 + 180) % 360 - 180) < 30 and abs((c + 120 + 180) % 360 - 180) < 30:
            return -1
    # Negative by positive sequence is far above one for a reversed rotation; devices cut it at 100 percent.
    return -1 if seen.unbalance[0] > 60 and min(volts_of(seen)) > 0.7 * max(volts_of(seen)) else 0


@lru_cache(maxsize=64)
def _spreads(extra: int) -> tuple[tuple[float, float], ...]:
    """Weight and spread of each part of a phase's law, with a measurement's own spread (degrees) in it."""
    return tuple((share, hypot(spread, extra)) for share, spread in _SPREADS)


def _angle_table(seen: Picture, n: int, product: float) -> tuple[float, ...]:
    """Density of the phase's angle at each true angle of the grid, against a uniform one."""
    active, reactive = seen.active[n], seen.reactive[n]
    size = hypot(active[0], reactive[0])
    if not size or size > 3 * product or size < product / 3:
        return (_STRANGE,) * _GRID
    angle = degrees(atan2(reactive[0], active[0]))
    own = degrees(min(0.5 * hypot(active[1], reactive[1]) / size, 1.0))
    table = _wrapped(min(int(own + 0.5), 60))
    offset = round(angle * 2)
    return tuple(table[(offset - 2 * STEP * k) % 720] for k in range(_GRID))


@lru_cache(maxsize=64)
def _wrapped(extra: int) -> tuple[float, ...]:
    """Density at each half degree of difference, times 360 degrees."""
    made = []
    for half in range(720):
        away = min(half, 720 - half) / 2
        made.append(
            sum(
                360 * share / (spread * sqrt(tau)) * exp(-0.5 * (away / spread) ** 2)
                for share, spread in _spreads(extra)
            )
        )
    return tuple(made)


def _cosine_table(seen: Picture, n: int, product: float) -> tuple[float, ...]:
    """Density of the phase's active power by V x I at each true angle, against a uniform one from -1 to 1."""
    shown = max(-3.0, min(3.0, seen.active[n][0] / product))
    own = 0.5 * seen.active[n][1] / product + 0.012
    made = []
    for k in range(_GRID):
        density = 0.0
        for share, spread in _SPREADS:
            turn = radians(spread)
            width = hypot(own, turn * _SIN[k], 0.5 * turn * turn)
            away = (shown - _COS[k]) / width
            if abs(away) < 6:
                density += share / (width * sqrt(tau)) * exp(-0.5 * away * away)
        made.append(2 * density)
    return tuple(made)


def _whole(seen: Picture, size: float, *, by_phase: bool) -> tuple[float, float, float, float] | None:
    """Active and reactive totals by the sum of V x I, with their spreads; active is NaN where not needed."""
    (active, half_p), (reactive, half_q), _ = seen.totals
    if by_phase:
        active = float("nan")
    if not isfinite(active) and not isfinite(reactive):
        return None
    x, y = (max(-3.0, min(3.0, value / size)) if isfinite(value) else value for value in (active, reactive))
    return (
        x,
        y,
        hypot(0.045, 0.5 * half_p / size if isfinite(half_p) else 0.0),
        hypot(0.06, 0.5 * half_q / size if isfinite(half_q) else 0.0),
    )


def fit_wiring(flow: Flow, wiring: Wiring) -> Fit:
    """How likely the powers are under the wiring, the load's angle integrated out."""
    turns = [turn // STEP for turn in wiring.turns]
    parts = [(flow.tables[n], turns[n]) for n in range(3) if flow.tables[n] is not None]
    best, best_k, found = -1.0, 0, 0.0
    own = _OF_SOURCES if wiring.is_source else _OF_LOADS
    for place, k in enumerate(_OWN):
        density = own[place]
        for table, turn in parts:
            density *= table[(k + turn) % _GRID]  # type: ignore[index]
        if flow.whole is not None and density > 0:
            density *= _whole_density(flow, turns, k)
        found += density
        if density > best:
            best, best_k = density, k
    strange = _STRANGE ** max(len(parts), 1)
    logs = log(found + strange) + _rotation_fit(flow, wiring)
    if flow.neutral is not None and flow.full and len(parts) == 3:
        logs += _neutral_fit(flow, wiring)
    return Fit(logs, STEP * best_k)


def _whole_density(flow: Flow, turns: list[int], k: int) -> float:
    """Density of the totals at a load angle, against a uniform one."""
    assert flow.whole is not None
    shown_p, shown_q, width_p, width_q = flow.whole
    p = q = 0.0
    for n in range(3):
        place = (k + turns[n]) % _GRID
        p += flow.shares[n] * _COS[place]
        q += flow.shares[n] * _SIN[place]
    density = 1.0
    if isfinite(shown_p):
        density *= 2 / (width_p * sqrt(tau)) * exp(-0.5 * ((shown_p - p) / width_p) ** 2)
    if isfinite(shown_q):
        density *= 2 / (width_q * sqrt(tau)) * exp(-0.5 * ((shown_q - q) / width_q) ** 2)
    return density


def _rotation_fit(flow: Flow, wiring: Wiring) -> float:
    """What the rotation that the device shows says of the wiring."""
    if flow.rotation == 0:
        return 0.0
    return 0.0 if flow.rotation == wiring.rotation else -12.0


def _neutral_fit(flow: Flow, wiring: Wiring) -> float:
    """What the neutral says: it shows the sum of the currents as seen, or has a transformer of its own.

    Triplen harmonics add to it, so that it may exceed the sum, but not fall far below.
    """
    assert flow.neutral is not None
    shown, half = flow.neutral
    as_seen = true = 0j
    for n in range(3):
        at = wiring_angle(wiring, n) - flow.seen[n]
        current = rect(flow.amps[n], radians(at))
        as_seen += current
        true += wiring.signs[n] * current
    usual = sum(flow.amps) / 3
    return log(
        0.5 * _neutral_density(shown, abs(as_seen), usual, half)
        + 0.5 * _neutral_density(shown, abs(true), usual, half)
        + 0.02
    )


def _neutral_density(shown: float, expected: float, usual: float, half: float) -> float:
    below = 0.08 * usual + 0.5 * half
    above = hypot(below, 0.25 * usual)
    width = below if shown < expected else above
    return exp(-0.5 * ((shown - expected) / width) ** 2)


def wiring_angle(wiring: Wiring, n: int) -> float:
    """Angle of the true voltage at voltage input n, degrees, phase a at 0."""
    order = (0.0, -120.0, 120.0)
    moved = (wiring.turns[n] - (180 if wiring.signs[n] < 0 else 0)) % 360
    return (order[wiring.currents[n]] + moved) % 360


#: What is reckoned from totals alone may err by so much of the whole: the phases' angles differ a little.
SPREAD_SHARE = 0.06
#: Totals that a wiring leaves less than this of tell nothing of the power itself.
LEAST_LEFT = 0.25


class Power(NamedTuple):
    """What the circuit really takes, W and var, NaN where unknown; spread: one standard deviation, VA."""

    value: complex
    spread: float = 0.0


def power_of(flow: Flow, wiring: Wiring, found: Fit) -> Power:
    """Active and reactive power of the circuit if the instrument is wired so."""
    if flow.whole is not None and all(table is None for table in flow.tables):
        return _power_of_totals(flow, wiring)
    whole = 0j
    for n in range(3):
        angle = flow.seen[n] - wiring.turns[n] if isfinite(flow.seen[n]) else found.angle
        part = rect(flow.products[n], angle * pi / 180)
        if not isfinite(flow.seen[n]) and isfinite(flow.active[n]) and wiring.turns[n] in (0, 180):
            # Reactive power by the angle that fits best; active power as it was shown.
            part = complex(-flow.active[n] if wiring.turns[n] else flow.active[n], part.imag)
        whole += part
    return Power(-whole if wiring.is_source else whole)


def _power_of_totals(flow: Flow, wiring: Wiring) -> Power:
    """The power by totals alone: volts and amperes of each phase tell what the wiring leaves of it, and what
    was shown is divided by that. Exact where all phases are turned alike, by nothing or by half."""
    assert flow.whole is not None
    size = sum(flow.products)
    seen = complex(flow.whole[0], flow.whole[1]) * size
    if wiring.is_source or not any(wiring.turns):
        return Power(seen)
    if wiring.turns == (180, 180, 180):
        return Power(-seen)
    left = sum(rect(share, radians(turn)) for share, turn in zip(flow.shares, wiring.turns, strict=True))
    if abs(left) < LEAST_LEFT:
        return Power(complex(nan, nan))
    return Power(seen / left, SPREAD_SHARE * size / abs(left))
