"""Search for the explanations that make all of one device's readings sane at once, best first.

score = log-likelihood of the readings as the explanation would have them
      + log-likelihood of their powers under the wiring that it assumes
      + logarithm of its prior

"Nothing is wrong" and "something that is not in the list" compete as explanations like any other. Single
faults are all tried; pairs only from those that help most (two ways of reading that touch different values,
a way of reading with a wiring, a missing voltage with either).
"""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite
from typing import NamedTuple

from probe.judge.diagnosis.flow import Fit, Flow, Power, fit_wiring, flow_of, power_of
from probe.judge.diagnosis.inside import Size, Term, terms, total
from probe.judge.diagnosis.picture import Key, Picture, middle, picture, shown_power
from probe.judge.diagnosis.priors import Kind, cost
from probe.judge.diagnosis.registers import Read, Registers
from probe.judge.diagnosis.rereading import ways
from probe.judge.diagnosis.way import Known, Way, multiplied
from probe.judge.diagnosis.wiring import OF_ONE_PHASE, STRAIGHT, WIRINGS, Part, Wiring

#: A term at or below this is taken as broken.
BROKEN = -4.0
#: Likelihood of a broken term when something that is not in the list is wrong.
STRANGE = -3.0
#: Ways of reading that are looked at further: within so much of the best, and so many.
NEAR, MOST_WAYS, MOST_PAIRED = 30.0, 12, 8
#: Wirings are tried where the readings without powers are within so much of the best.
WITHIN = 12.0
#: A value that was told and would be lost under an explanation costs so much.
LOST = -2.5
#: An explanation this far below the best is not worth the search; powers add no more than this to a score.
HOPELESS, MOST_FLOW = 10.0, 12.0
#: Explanations kept of one device.
KEPT = 24


class Explanation(NamedTuple):
    """One way to explain a device's readings. parts: the faults; none for a sound device.

    score: logarithm, comparable within one device. read: the values as they would be; power: P + jQ of the
    circuit as it would be, W and var, NaN where unknown; spread: one standard deviation of it beside the
    readings' own, VA. keys: values that would change.
    """

    parts: tuple[Part, ...]
    score: float
    read: Read
    power: complex
    keys: frozenset[Key]
    spread: float = 0.0

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """Kinds of its faults."""
        return tuple(part.kind for part in self.parts)


class Case(NamedTuple):
    """One device as the search sees it. proven: proof points were read and fit."""

    registers: Registers
    base: Read
    size: Size
    proven: bool = False


class _Tried(NamedTuple):
    """A way of reading with its terms worked out."""

    way: Way
    seen: Picture
    log: float  # of the readings, without wiring
    flow: Flow | None
    straight: Fit
    broken: frozenset[Key]
    terms: tuple[Term, ...] = ()

    @property
    def score(self) -> float:
        """With nothing wrong in the wiring."""
        return self.log + self.straight.log + self.way.log_prior


_NO_FIT = Fit(0.0, 0.0)


def explain(case: Case) -> tuple[Explanation, ...]:
    """The explanations worth naming, best first; a sound device and the unexplained are among them."""
    plain = Way((), case.base, frozenset(), 0.0, case.size)
    count = len(terms(picture(case.base.values), case.size))
    first = _try(plain, case, count)
    known = Known(case.registers, case.base, case.size, first.broken, case.proven)
    tried = [first, *_tried(ways(known), case, count, first)]
    tried.sort(key=lambda one: -one.score)
    near = _near(tried, first)
    found = [_plainly(one) for one in near]
    found += _missing(near[:3] if first in near[:3] else [*near[:3], first], case, count)
    found += [e for one in _promising(near) for e in _wired(one)]
    found.append(_strange(first, case))
    best = max(e.score for e in found if e.kinds != (Kind.UNEXPLAINED,))
    if best < total_floor(first):
        found += _paired(near, case, count, max(e.score for e in found) - HOPELESS)
    found.sort(key=lambda e: -e.score)
    return tuple(found[:KEPT])


def weigh(way: Way, case: Case) -> Explanation:
    """A way of reading that something else suggests, scored like those that the search tries."""
    count = len(terms(picture(case.base.values), case.size))
    return _plainly(_try(way, case, count))


def total_floor(first: _Tried) -> float:
    """Below this even the best single explanation leaves something broken."""
    return -14.0 if first.log < -14.0 else first.score


def _promising(near: list[_Tried]) -> list[_Tried]:
    """Those whose readings, powers apart, fit nearly as well as the best: a wiring could mend the rest."""
    top = max(one.log + one.way.log_prior for one in near)
    return [one for one in near if one.log + one.way.log_prior > top - WITHIN][:MOST_PAIRED]


def _near(tried: list[_Tried], first: _Tried) -> list[_Tried]:
    best = tried[0].score
    near = [one for one in tried if one.score > best - NEAR][:MOST_WAYS]
    return near if first in near else [*near, first]


def _tried(found: Iterable[Way], case: Case, count: int, first: _Tried) -> list[_Tried]:
    """The ways whose readings, powers apart, are not hopeless, with their powers looked at."""
    looked = [_look(way, case, count) for way in found]
    top = max((one.log + one.way.log_prior for one in looked), default=first.log)
    top = max(top, first.log)
    return [_with_flow(one, case) for one in looked if one.log + one.way.log_prior > top - NEAR]


def _try(way: Way, case: Case, count: int) -> _Tried:
    return _with_flow(_look(way, case, count), case)


def _look(way: Way, case: Case, count: int) -> _Tried:
    """The way with the terms of its readings, powers not yet looked at."""
    seen = picture(way.read.values)
    found = terms(seen, way.size)
    odd = way.read.odd
    log = total(found) + sum(odd.values()) + LOST * max(0, count - len(found))
    return _Tried(way, seen, log, None, _NO_FIT, _broken(found, odd), tuple(found))


def _with_flow(one: _Tried, case: Case) -> _Tried:
    flow = flow_of(one.seen, case.size.rating_a)
    return one if flow is None else one._replace(flow=flow, straight=fit_wiring(flow, STRAIGHT))


def _broken(found: Iterable[Term], odd: Iterable[Key]) -> frozenset[Key]:
    keys = {key for term in found if term.log <= BROKEN for key in term.keys}
    return frozenset(keys | set(odd))


def _plainly(one: _Tried) -> Explanation:
    power, spread = _power(one, STRAIGHT, one.straight)
    return Explanation(one.way.parts, one.score, one.way.read, power, one.way.keys, spread)


def _power(one: _Tried, wiring: Wiring, found: Fit) -> Power:
    if wiring is STRAIGHT:
        shown = shown_power(one.seen)
        if isfinite(shown.real):
            return Power(shown)
    return power_of(one.flow, wiring, found) if one.flow is not None else Power(complex("nan"))


#: What a wiring that is wrong changes: powers and factors, never the size of a voltage or current.
_BY_WIRING = ("power_active", "power_reactive", "power_factor", "unbalance_voltage", "angle_voltage")


def _wired(one: _Tried) -> list[Explanation]:
    """The way of reading with each wiring that is not straight."""
    if one.flow is None:
        return []
    keys = one.way.keys | {key for key in one.way.read.values if key[0] in _BY_WIRING}
    made = []
    for wiring in OF_ONE_PHASE if one.way.size.single else WIRINGS[1:]:
        if wiring.rotation < 0 and one.flow.rotation == 0 and wiring.turns == (0, 0, 0):
            continue  # nothing that was read could tell
        found = fit_wiring(one.flow, wiring)
        score = one.log + found.log + one.way.log_prior + wiring.log_prior
        parts = (*one.way.parts, *wiring.parts)
        power, spread = _power(one, wiring, found)
        made.append(Explanation(parts, score, one.way.read, power, keys, spread))
    made.sort(key=lambda e: -e.score)
    return made[:12]


def _missing(near: list[_Tried], case: Case, count: int) -> list[Explanation]:
    """A phase whose voltage, or current, does not arrive; alone, and with each wiring."""
    made: list[Explanation] = []
    for one in near:
        for n in range(3):
            if one.way.size.single:
                continue  # without its one voltage a device is dead
            if _lacks_voltage(one.seen, n):
                made += _without(one, case, count, missing=n)
            if _lacks_current(one.seen, n, case.size):
                made += _without(one, case, count, no_current=n)
    return made


def _without(
    one: _Tried, case: Case, count: int, *, missing: int = -1, no_current: int = -1
) -> list[Explanation]:
    found = terms(one.seen, one.way.size, missing, no_current)
    log = total(found) + sum(one.way.read.odd.values()) + LOST * max(0, count - len(found))
    kind, n = (Kind.MISSING, missing) if missing >= 0 else (Kind.CURRENT_MISSING, no_current)
    parts = (*one.way.parts, Part(kind, "ABC"[n]))
    way = one.way._replace(parts=parts, log_prior=one.way.log_prior + cost(kind, 1 / 3))
    way = way._replace(keys=one.way.keys | _keys_without(one, n, voltage=missing >= 0))
    flow = flow_of(one.seen, case.size.rating_a, missing)
    straight = fit_wiring(flow, STRAIGHT) if flow is not None else _NO_FIT
    tried = one._replace(way=way, log=log, flow=flow, straight=straight)
    return [_plainly(tried), *_wired(tried)[:3]]


def _keys_without(one: _Tried, n: int, *, voltage: bool) -> frozenset[Key]:
    name = "abc"[n]
    touched = ("power_active", "power_reactive", "power_apparent", "power_factor")
    first = ("voltage_phase", "voltage_line", "unbalance_voltage") if voltage else ("current",)
    return frozenset(
        key
        for key in one.way.read.values
        if (key[0] in first or key[0] in touched) and (name in key[1] or key[1] in ("total", "average", ""))
    )


def _lacks_voltage(seen: Picture, n: int) -> bool:
    """True if the phase's voltages stand far below the others."""
    if isfinite(seen.volts[n][0]):
        return abs(seen.volts[n][0]) < 0.8 * middle(seen.volts)
    low = [abs(seen.lines[k][0]) for k in (n, (n + 2) % 3)]
    other = abs(seen.lines[(n + 1) % 3][0])
    return all(isfinite(v) and v < 0.85 * other for v in low)


def _lacks_current(seen: Picture, n: int, size: Size) -> bool:
    others = [abs(seen.amps[k][0]) for k in range(3) if k != n]
    return abs(seen.amps[n][0]) < 0.05 * min(others) and min(others) > 0.05 * size.rating_a


def _paired(near: list[_Tried], case: Case, count: int, least: float) -> list[Explanation]:
    """Two ways of reading at once, where they touch different values (the second starts from the first).

    least: pairs that cannot reach this score are not looked at.
    """
    made: list[Explanation] = []
    firsts = [one for one in near if one.way.parts][:MOST_PAIRED]
    for one in firsts:
        known = Known(case.registers, one.way.read, one.way.size, one.broken, case.proven, one.way.keys)
        for way in ways(known):
            if not way.keys & one.broken and way.keys:
                continue
            if way.size is one.way.size and _at_best(one, way) < least:
                continue
            both = way._replace(
                parts=(*one.way.parts, *way.parts),
                keys=one.way.keys | way.keys,
                log_prior=one.way.log_prior + way.log_prior,
            )
            tried = _try(both, case, count)
            made.append(_plainly(tried))
            if tried.log > BROKEN * 3 and tried.straight.log < BROKEN:
                made += _wired(tried)[:3]
    return made


def _at_best(one: _Tried, way: Way) -> float:
    """A score that a second way cannot surpass: all that it touches fits, and what it does not stays."""
    stays = sum(term.log for term in one.terms if way.keys.isdisjoint(term.keys))
    stays += sum(cost for key, cost in one.way.read.odd.items() if key not in way.keys)
    return stays + one.way.log_prior + way.log_prior + MOST_FLOW


def _strange(first: _Tried, case: Case) -> Explanation:
    """Something that is not in the list: each broken term is as likely as not."""
    found = terms(first.seen, case.size)
    log = sum(max(term.log, STRANGE) for term in found)
    log += sum(max(odd, STRANGE) for odd in case.base.odd.values()) + max(first.straight.log, -4.0)
    score = log + cost(Kind.UNEXPLAINED)
    return Explanation((Part(Kind.UNEXPLAINED),), score, case.base, complex("nan"), frozenset())


__all__ = ["Case", "Explanation", "explain", "multiplied"]
