"""The explanations of a whole lineup: each device's own, held against what the others say.

Starts from the best explanation of each device by itself and changes one device at a time, whichever change
makes the whole most probable, until none helps. A device that looks sound by itself is asked for explanations
only when a relation that it has a part in is broken.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import exp, log
from typing import NamedTuple

from probe.judge.diagnosis.board import Board, concerned, plain_of
from probe.judge.diagnosis.pairs import Pair, pairs_of
from probe.judge.diagnosis.priors import Kind
from probe.judge.diagnosis.relations import Relation, relations_of, standing
from probe.judge.diagnosis.search import BROKEN, Explanation, explain
from probe.judge.diagnosis.shared import settle_shared
from probe.judge.diagnosis.sighting import Sighting
from probe.judge.electrical.topology import Topology

#: A change must make the whole this much more probable (a logarithm).
WORTH = 0.5
#: Devices whose voltages agree this well (a share) see the same bus.
ALIKE = 0.025
#: How many of the devices must agree on a voltage to doubt the nominal one instead of them.
MOST_OF_THEM = 0.6


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


class Outcome(NamedTuple):
    """nominal_v: what the bus really has, 0 where the map is right; nominal_tags: those that say so."""

    findings: tuple[Finding, ...]
    pairs: tuple[Pair, ...]
    nominal_v: float
    nominal_tags: tuple[str, ...]


def diagnose(topology: Topology, sightings: Mapping[str, Sighting]) -> Outcome:
    """What is wrong in the lineup, as far as electrical readings tell."""
    if not sightings:
        return Outcome((), (), 0.0, ())
    nominal_v, nominal_tags = _nominal(sightings)
    if nominal_v:
        sightings = _on_bus(sightings, nominal_v)
    relations = relations_of(topology, {tag: one.stand for tag, one in sightings.items()})
    board = Board(sightings, relations, next(iter(sightings.values())).case.size.line_v)
    pairs = tuple(pairs_of(board))
    apart = frozenset(tag for pair in pairs for tag in pair.tags)
    _settle(board, apart)
    settle_shared(board, apart)
    findings = [_weigh(board, tag) for tag, one in board.chosen.items() if one.parts]
    return Outcome(tuple(findings), pairs, nominal_v, nominal_tags)


def _settle(board: Board, apart: frozenset[str]) -> None:
    """Changes one device after the other, the most telling change first, until none is worth it."""
    for _ in range(4 * len(board.sightings) + 8):
        tags = {tag for relation in board.broken() for tag in concerned(relation)}
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


def _weigh(board: Board, tag: str) -> Finding:
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
        r for r in board.broken_plain if tag in concerned(r) and r.log(board.standings, board.line_v) > BROKEN
    ]
    return Finding(tag, weighed, tuple(settled))


def _instead(board: Board, tag: str) -> Iterator[tuple[str, Explanation, float]]:
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
        for explanation in (*kept, *board.suggested(other)):
            if explanation.parts:
                yield other, explanation, board.whole(other, explanation) - now
    board.choose(tag, chosen)


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
