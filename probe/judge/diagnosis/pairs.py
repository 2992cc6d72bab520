"""Two tags that show one device, or each other's."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp
from typing import NamedTuple

from probe.judge.diagnosis.board import RATING_WRONG, Board, concerned
from probe.judge.diagnosis.density import beyond
from probe.judge.diagnosis.inside import OVERLOAD
from probe.judge.diagnosis.priors import Kind, cost
from probe.judge.diagnosis.relations import Relation
from probe.judge.diagnosis.same_unit import same_units
from probe.judge.diagnosis.search import BROKEN


class Pair(NamedTuple):
    """Two devices of which one finding speaks. share: how sure it is."""

    kind: Kind
    tags: tuple[str, str]
    share: float
    relations: tuple[Relation, ...]


def pairs_of(board: Board) -> Iterator[Pair]:
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


def _alike(board: Board, one: str, other: str) -> bool:
    mine, its = board.sightings[one].case, board.sightings[other].case
    return mine.registers.profile.name == its.registers.profile.name


def _gain(board: Board, one: str, other: str) -> float:
    """How much more probable the whole is if each of the two sits at the other's place."""
    before = _pair_log(board, one, other) + board.rating_log(one) + board.rating_log(other)
    _exchange(board, one, other)
    after = _pair_log(board, one, other) + _crossed(board, one, other)
    _exchange(board, one, other)
    load = _load_log(board, one, other) + _load_log(board, other, one)
    load -= _load_log(board, one, one) + _load_log(board, other, other)
    return after - before + load + cost(Kind.EXCHANGED, 0.2)


def _load_log(board: Board, tag: str, place: str) -> float:
    """How well the current that a tag shows goes with the rating of a place."""
    rating, amps = board.sightings[place].case.size.rating_a, board.standings[tag].amps
    return beyond(amps / rating, 0.0, OVERLOAD, 0.1) if rating and amps > 0 else 0.0


def _exchange(board: Board, one: str, other: str) -> None:
    board.standings[one], board.standings[other] = board.standings[other], board.standings[one]


def _pair_log(board: Board, one: str, other: str) -> float:
    relations = dict.fromkeys((*board.of[one], *board.of[other]))
    return sum(relation.log(board.standings, board.line_v) for relation in relations)


def _crossed(board: Board, one: str, other: str) -> float:
    """What the ratings say if each device sits at the other's place."""
    mine, its = board.sightings[one].ratings, board.sightings[other].ratings
    pairs = [(a, b) for a in mine for b in its if a.point == b.point]
    wrong = any(
        abs(a.shown - b.drawn) > 0.005 * b.drawn or abs(b.shown - a.drawn) > 0.005 * a.drawn for a, b in pairs
    )
    return RATING_WRONG * wrong * 2


def _beside(board: Board, one: str, other: str) -> tuple[Relation, ...]:
    return tuple(r for r in board.broken_plain if {one, other} & set(concerned(r)))
