"""The explanations of a whole lineup: each device's own, held against what the others say.

Starts from the best explanation of each device by itself and changes one device at a time, whichever change
makes the whole most probable, until none helps. A device that looks sound by itself is asked for explanations
only when a relation that it has a part in is broken.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from math import exp, isfinite, log
from typing import NamedTuple

from probe.judge.diagnosis.density import beyond
from probe.judge.diagnosis.inside import OVERLOAD
from probe.judge.diagnosis.picture import picture
from probe.judge.diagnosis.priors import Kind, cost
from probe.judge.diagnosis.relations import Relation, Standing, relations_of, standing
from probe.judge.diagnosis.rereading import Known, amp_ratio, volt_ratio
from probe.judge.diagnosis.same_unit import same_units
from probe.judge.diagnosis.search import BROKEN, Explanation, explain, weigh
from probe.judge.diagnosis.sighting import Sighting
from probe.judge.diagnosis.wiring import Part
from probe.judge.electrical.topology import Topology

#: A change must make the whole this much more probable (a logarithm).
WORTH = 0.5
#: Devices whose voltages agree this well (a share) see the same bus.
ALIKE = 0.025
#: How many of the devices must agree on a voltage to doubt the nominal one instead of them.
MOST_OF_THEM = 0.6
#: A rating that is not as drawn speaks against an explanation that leaves it so.
RATING_WRONG = -7.0
#: A nominal voltage that other devices show cannot well be wrong.
NOMINAL_SEEN = -9.0


class Weighed(NamedTuple):
    """An explanation at a device, with the share of probability that falls to it."""

    tag: str
    explanation: Explanation
    share: float


class Finding(NamedTuple):
    """What was found at a device: weighed explanations, best first (some may sit at other devices)."""

    tag: str
    weighed: tuple[Weighed, ...]
    relations: tuple[Relation, ...]  # those that were broken and hold now


class Pair(NamedTuple):
    """Two devices of which one finding speaks. share: how sure it is."""

    kind: Kind
    tags: tuple[str, str]
    share: float
    relations: tuple[Relation, ...]


class Outcome(NamedTuple):
    """nominal_v: what the bus really has, 0 where the map is right; nominal_tags: those that say so."""

    findings: tuple[Finding, ...]
    pairs: tuple[Pair, ...]
    nominal_v: float
    nominal_tags: tuple[str, ...]


def plain_of(sighting: Sighting) -> Explanation:
    """The explanation that nothing is wrong."""
    for explanation in sighting.explanations:
        if not explanation.parts:
            return explanation
    seen = picture(sighting.case.base.values)
    (active, _), (reactive, _), _ = seen.totals
    power = complex(active, reactive if isfinite(reactive) else 0.0)
    worst = sighting.explanations[-1].score if sighting.explanations else 0.0
    return Explanation((), worst, sighting.case.base, power, frozenset())


class _Board:
    """Who is explained how; what follows for the relations."""

    def __init__(self, sightings: Mapping[str, Sighting], relations: Iterable[Relation], line_v: float):
        self.sightings = sightings
        self.line_v = line_v
        self.plain = {tag: plain_of(sighting) for tag, sighting in sightings.items()}
        self.chosen = {tag: (s.explanations or (self.plain[tag],))[0] for tag, s in sightings.items()}
        self.candidates = {tag: list(s.explanations) for tag, s in sightings.items() if s.explanations}
        self.standings = {tag: standing(chosen) for tag, chosen in self.chosen.items()}
        self.relations = tuple(relations)
        self.of: dict[str, list[Relation]] = {tag: [] for tag in sightings}
        for relation in self.relations:
            for tag in relation.tags if relation.sort != "bus" else relation.tags[:1]:
                self.of[tag].append(relation)
        plain = {tag: standing(one) for tag, one in self.plain.items()}
        self.broken_plain = [r for r in self.relations if r.log(plain, line_v) <= BROKEN]
        self._cache: dict[int, Standing] = {}

    def log_with(self, tag: str, one: Standing) -> float:
        """The relations of a device if it stands so."""
        kept, self.standings[tag] = self.standings[tag], one
        found = sum(relation.log(self.standings, self.line_v) for relation in self.of[tag])
        self.standings[tag] = kept
        return found

    def standing_of(self, explanation: Explanation) -> Standing:
        """The standing under an explanation, made once."""
        known = self._cache.get(id(explanation))
        if known is None:
            known = self._cache[id(explanation)] = standing(explanation)
        return known

    def broken(self) -> list[Relation]:
        """Relations that do not hold as things stand."""
        return [r for r in self.relations if r.log(self.standings, self.line_v) <= BROKEN]

    def whole(self, tag: str, explanation: Explanation) -> float:
        """How probable the whole is, as far as it depends on this device being explained so."""
        ratings = 0.0 if self._mends_rating(tag, explanation) else self.rating_log(tag)
        nominal = NOMINAL_SEEN if Kind.NOMINAL in explanation.kinds and self.sees_nominal(tag) else 0.0
        return explanation.score + ratings + nominal + self.log_with(tag, self.standing_of(explanation))

    def _mends_rating(self, tag: str, explanation: Explanation) -> bool:
        """True if the ratio that the explanation assumes is that of the rating shown to the one drawn."""
        shown = [float(part.where) for part in explanation.parts if part.kind is Kind.AMP_RATIO]
        return any(
            abs(log(factor * rating.drawn / rating.shown)) < 0.03
            for factor in shown
            for rating in self.sightings[tag].ratings
            if rating.shown > 0
        )

    def sees_nominal(self, tag: str) -> bool:
        """True if another device of the lineup shows the nominal voltage of the map."""
        return any(
            one.volts > 0 and abs(log(one.volts / self.line_v)) < 0.06
            for other, one in self.standings.items()
            if other != tag
        )

    def best_gain(self, tag: str) -> float:
        """How much more probable the best change at one device alone makes the whole."""
        candidates = self.open_up(tag)
        return max(self.whole(tag, e) for e in candidates) - self.whole(tag, self.chosen[tag])

    def rating_log(self, tag: str) -> float:
        """What ratings that are not as drawn say."""
        return RATING_WRONG * any(not rating.agrees for rating in self.sightings[tag].ratings)

    def choose(self, tag: str, explanation: Explanation) -> None:
        """Explain a device so from now on."""
        self.chosen[tag] = explanation
        self.standings[tag] = self.standing_of(explanation)

    def open_up(self, tag: str) -> list[Explanation]:
        """All explanations of a device, those that other devices suggest among them."""
        sighting = self.sightings[tag]
        if tag not in self.candidates:
            found = explain(sighting.case)
            self.candidates[tag] = [e for e in found if e.parts and Kind.UNEXPLAINED not in e.kinds]
            plain = next((e for e in found if not e.parts), self.plain[tag])
            self.plain[tag] = plain
            self.candidates[tag].append(plain)
            if not self.chosen[tag].parts:
                self.chosen[tag] = plain
        ratios = [e for e in self.candidates[tag] if Kind.AMP_RATIO in e.kinds or "bus" in e.kinds]
        if not ratios:
            self.candidates[tag] += _suggested(self, tag)
        return self.candidates[tag]


def _suggested(board: _Board, tag: str) -> Iterator[Explanation]:
    """Ratios of transformers that other devices, or the ratings, suggest."""
    sighting, plain = board.sightings[tag], board.plain[tag]
    case = sighting.case
    known = Known(case.registers, case.base, case.size, frozenset(), case.proven)
    mine = board.standing_of(plain)
    told = [
        rating.drawn / rating.shown
        for rating in sighting.ratings
        if not rating.agrees and rating.shown > 0 and ("ct_" in rating.point or "sensor" in rating.point)
    ]
    for ratio in _distinct([*told, *_ratios(board, tag, mine)]):
        way = amp_ratio(known, ratio, told=any(abs(log(ratio / one)) < 0.02 for one in told))
        yield weigh(way, case)
    for ratio in _bus_ratios(board, tag, mine):
        yield weigh(volt_ratio(known, ratio), case)


def _ratios(board: _Board, tag: str, mine: Standing) -> Iterator[float]:
    """Factors for the currents of a device by its relations."""
    for relation in board.of[tag]:
        others = [board.standings[other] for other in relation.tags if other != tag]
        if relation.sort == "circuit" and mine.amps > 0 and others[0].amps > 0:
            yield others[0].amps / mine.amps
        elif relation.sort == "balance" and mine.power.real:
            parts = [other.power.real for other in others]
            wanted = sum(parts) if tag == relation.tags[0] else parts[0] - sum(parts[1:])
            if isfinite(wanted) and wanted / mine.power.real > 0:
                yield wanted / mine.power.real


def _bus_ratios(board: _Board, tag: str, mine: Standing) -> Iterator[float]:
    for relation in board.of[tag]:
        if relation.sort == "bus" and mine.volts > 0:
            shown = sorted(v for o in relation.tags[1:] if (v := board.standings[o].volts) > 0)
            if shown and abs(log(shown[len(shown) // 2] / mine.volts)) > 0.06:
                yield shown[len(shown) // 2] / mine.volts


def _distinct(ratios: Iterable[float]) -> list[float]:
    kept: list[float] = []
    for ratio in ratios:
        if 0.02 < ratio < 50 and abs(log(ratio)) > 0.08 and all(abs(log(ratio / k)) > 0.03 for k in kept):
            kept.append(ratio)
    return kept


# the nominal voltage ---------------------------------------------------------------------------------------


def _nominal(sightings: Mapping[str, Sighting]) -> tuple[float, tuple[str, ...]]:
    """What most devices say the voltage is, if that is not the nominal one; and who says so."""
    shown = {tag: standing(plain_of(one)).volts for tag, one in sightings.items()}
    shown = {tag: volts for tag, volts in shown.items() if volts > 0}
    if len(shown) < 2:
        return 0.0, ()
    usual = sorted(shown.values())[len(shown) // 2]
    alike = tuple(tag for tag, volts in shown.items() if abs(log(volts / usual)) < ALIKE)
    line_v = next(iter(sightings.values())).case.size.line_v
    if len(alike) < max(2, MOST_OF_THEM * len(shown)) or abs(log(usual / line_v)) < 0.06:
        return 0.0, ()
    return usual, alike


def _on_bus(sightings: Mapping[str, Sighting], line_v: float) -> dict[str, Sighting]:
    """The sightings with another nominal voltage."""
    made = {}
    for tag, sighting in sightings.items():
        case = sighting.case._replace(size=sighting.case.size._replace(line_v=line_v))
        again = explain(case) if sighting.explanations else ()
        if again and not again[0].parts:
            again = ()
        made[tag] = sighting._replace(case=case, explanations=again)
    return made


# the whole -------------------------------------------------------------------------------------------------


def diagnose(topology: Topology, sightings: Mapping[str, Sighting]) -> Outcome:
    """What is wrong in the lineup, as far as electrical readings tell."""
    if not sightings:
        return Outcome((), (), 0.0, ())
    nominal_v, nominal_tags = _nominal(sightings)
    if nominal_v:
        sightings = _on_bus(sightings, nominal_v)
    relations = relations_of(topology, {tag: one.stand for tag, one in sightings.items()})
    board = _Board(sightings, relations, next(iter(sightings.values())).case.size.line_v)
    pairs = tuple(_pairs(board))
    _settle(board, frozenset(tag for pair in pairs for tag in pair.tags))
    findings = [_weigh(board, tag) for tag, one in board.chosen.items() if one.parts]
    return Outcome(tuple(findings), pairs, nominal_v, nominal_tags)


def _settle(board: _Board, apart: frozenset[str]) -> None:
    """Changes one device after the other, the most telling change first, until none is worth it."""
    for _ in range(4 * len(board.sightings) + 8):
        tags = {tag for relation in board.broken() for tag in _concerned(relation)}
        tags |= {tag for tag in board.candidates if board.sightings[tag].explanations}
        best: tuple[float, str, Explanation] | None = None
        for tag in sorted(tags - apart):
            now = None
            for explanation in board.open_up(tag):
                if now is None:
                    now = board.whole(tag, board.chosen[tag])
                gain = board.whole(tag, explanation) - now
                if gain > WORTH and (best is None or gain > best[0]):
                    best = (gain, tag, explanation)
        if best is None:
            return
        board.choose(best[1], best[2])


def _concerned(relation: Relation) -> tuple[str, ...]:
    return relation.tags[:1] if relation.sort == "bus" else relation.tags


def _weigh(board: _Board, tag: str) -> Finding:
    """The explanations of a device weighed against each other, and against others' that would do as well."""
    logs = [(tag, e, board.whole(tag, e)) for e in board.open_up(tag)]
    base = board.whole(tag, board.plain[tag])
    for other, explanation, gain in _instead(board, tag):
        logs.append((other, explanation, base + gain))
    logs.sort(key=lambda one: -one[2])
    top = logs[0][2]
    sizes = [exp(max(one[2] - top, -700.0)) for one in logs]
    weighed = tuple(
        Weighed(where, e, size / sum(sizes)) for (where, e, _), size in zip(logs, sizes, strict=True)
    )
    settled = [
        r
        for r in board.broken_plain
        if tag in _concerned(r) and r.log(board.standings, board.line_v) > BROKEN
    ]
    return Finding(tag, weighed, tuple(settled))


def _instead(board: _Board, tag: str) -> Iterator[tuple[str, Explanation, float]]:
    """Explanations at other devices that would mend this device's broken relations, if it is sound."""
    chosen = board.chosen[tag]
    board.choose(tag, board.plain[tag])
    others = {
        o
        for r in board.of[tag]
        if r.sort != "bus" and r.log(board.standings, board.line_v) <= BROKEN
        for o in r.tags
    }
    for other in sorted(others - {tag}):
        if board.chosen[other].parts:
            continue
        now = board.whole(other, board.chosen[other])
        kept = [e for e in board.candidates.get(other, ()) if Kind.AMP_RATIO not in e.kinds]
        for explanation in (*kept, *_suggested(board, other)):
            if explanation.parts:
                yield other, explanation, board.whole(other, explanation) - now
    board.choose(tag, chosen)


# two devices -----------------------------------------------------------------------------------------------


def _pairs(board: _Board) -> Iterator[Pair]:
    """Two tags that show one device, or each other's."""
    tags = [tag for tag in board.sightings if board.sightings[tag].case.base.values]
    done: set[str] = set()
    for mine, its in same_units(board.sightings):
        done |= {mine.tag, its.tag}
        yield Pair(Kind.ONE_FOR_TWO, (mine.tag, its.tag), 0.97, _beside(board, mine.tag, its.tag))
    odd = {t for r in board.broken() if r.sort != "bus" for t in r.tags}
    odd |= {tag for tag in tags if board.rating_log(tag)}
    while True:
        rest = sorted(odd - done)
        tried = [
            (_gain(board, one, other), one, other)
            for n, one in enumerate(rest)
            for other in rest[n + 1 :]
            if _alike(board, one, other)
        ]
        gain, one, other = max(tried, default=(0.0, "", ""))
        if gain < EXCHANGE_WORTH:
            return
        alone = board.best_gain(one) + board.best_gain(other)
        if gain < alone:
            odd -= {one, other}
            continue
        _exchange(board, one, other)
        done |= {one, other}
        settled = tuple(
            r for r in _beside(board, one, other) if r.log(board.standings, board.line_v) > BROKEN
        )
        yield Pair(Kind.EXCHANGED, (one, other), 1 / (1 + exp(-(gain - alone))), settled)


#: Exchanging two devices must make the whole this much more probable (a logarithm).
EXCHANGE_WORTH = 2.0


def _alike(board: _Board, one: str, other: str) -> bool:
    mine, its = board.sightings[one].case, board.sightings[other].case
    return mine.registers.profile.name == its.registers.profile.name


def _gain(board: _Board, one: str, other: str) -> float:
    """How much more probable the whole is if each of the two sits at the other's place."""
    before = _pair_log(board, one, other) + board.rating_log(one) + board.rating_log(other)
    _exchange(board, one, other)
    after = _pair_log(board, one, other) + _crossed(board, one, other)
    _exchange(board, one, other)
    load = _load_log(board, one, other) + _load_log(board, other, one)
    load -= _load_log(board, one, one) + _load_log(board, other, other)
    return after - before + load + cost(Kind.EXCHANGED, 0.2)


def _load_log(board: _Board, tag: str, place: str) -> float:
    """How well the current that a tag shows goes with the rating of a place."""
    rating, amps = board.sightings[place].case.size.rating_a, board.standings[tag].amps
    return beyond(amps / rating, 0.0, OVERLOAD, 0.1) if rating and amps > 0 else 0.0


def _exchange(board: _Board, one: str, other: str) -> None:
    board.standings[one], board.standings[other] = board.standings[other], board.standings[one]


def _pair_log(board: _Board, one: str, other: str) -> float:
    relations = dict.fromkeys((*board.of[one], *board.of[other]))
    return sum(relation.log(board.standings, board.line_v) for relation in relations)


def _crossed(board: _Board, one: str, other: str) -> float:
    """What the ratings say if each device sits at the other's place."""
    mine, its = board.sightings[one].ratings, board.sightings[other].ratings
    pairs = [(a, b) for a in mine for b in its if a.point == b.point]
    wrong = any(
        abs(a.shown - b.drawn) > 0.005 * b.drawn or abs(b.shown - a.drawn) > 0.005 * a.drawn for a, b in pairs
    )
    return RATING_WRONG * wrong * 2


def _beside(board: _Board, one: str, other: str) -> tuple[Relation, ...]:
    return tuple(r for r in board.broken_plain if {one, other} & set(_concerned(r)))


__all__ = ["Finding", "Outcome", "Pair", "Part", "Weighed", "diagnose", "plain_of"]
