"""The board: who is explained how, and what follows for what devices say of each other."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from math import isfinite, log

from probe.judge.diagnosis.picture import picture, shown_power
from probe.judge.diagnosis.priors import Kind
from probe.judge.diagnosis.relations import Relation, Standing, standing
from probe.judge.diagnosis.rereading import amp_ratio, volt_ratio
from probe.judge.diagnosis.search import BROKEN, Explanation, explain, weigh
from probe.judge.diagnosis.sighting import Sighting
from probe.judge.diagnosis.way import Known

#: A rating that is not as drawn speaks against an explanation that leaves it so.
RATING_WRONG = -7.0
#: A nominal voltage that other devices show cannot well be wrong.
NOMINAL_SEEN = -9.0


def concerned(relation: Relation) -> tuple[str, ...]:
    """Tags that a broken relation speaks against; of a bus, the one held against the others (its first)."""
    return relation.tags[:1] if relation.sort == "bus" else relation.tags


def plain_of(sighting: Sighting) -> Explanation:
    """The explanation that nothing is wrong."""
    for explanation in sighting.explanations:
        if not explanation.parts:
            return explanation
    seen = picture(sighting.case.base.values)
    power = shown_power(seen)
    worst = sighting.explanations[-1].score if sighting.explanations else 0.0
    return Explanation((), worst, sighting.case.base, power, frozenset())


class Board:
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
        #: What explanations of a device cost less because others share their fault, by tag.
        self._lighter: dict[str, tuple[Explanation, float]] = {}

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
        shared, less = self._lighter.get(tag, (None, 0.0))
        mine = explanation.score + (less if shared is explanation else 0.0)
        return mine + ratings + nominal + self.log_with(tag, self.standing_of(explanation))

    def joint(self) -> float:
        """How probable the whole is as it is explained now: all devices and all relations."""
        scores = sum(one.score for one in self.chosen.values())
        return scores + sum(r.log(self.standings, self.line_v) for r in self.relations)

    def lighten(self, tag: str, explanation: Explanation, less: float) -> None:
        """An explanation costs less (a logarithm), since other devices share the fault that it assumes."""
        self._lighter[tag] = (explanation, less)

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

    def suggested(self, tag: str) -> list[Explanation]:
        """Explanations of a device that ratings and other devices suggest."""
        return list(_suggested(self, tag))

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
            self.candidates[tag] += self.suggested(tag)
        return self.candidates[tag]


def _suggested(board: Board, tag: str) -> Iterator[Explanation]:
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


def _ratios(board: Board, tag: str, mine: Standing) -> Iterator[float]:
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


def _bus_ratios(board: Board, tag: str, mine: Standing) -> Iterator[float]:
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
