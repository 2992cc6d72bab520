"""Faults that sit in a profile and so show at all of its devices: one fault then, not one a device.

Each device by itself weighs its own explanations, and there a turned transformer is likelier than a maker who
counts the other way round. Where every device of a profile shows the same, the profile's fault pays its prior
once, and the transformers theirs at each.
"""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.diagnosis.board import Board
from probe.judge.diagnosis.flow import LEAST_SHARE
from probe.judge.diagnosis.priors import Kind, cost
from probe.judge.diagnosis.rereading import SIGNS
from probe.judge.diagnosis.search import Explanation

#: The fault of the profile must make the whole this much more probable (a logarithm).
WORTH = 0.5


def settle_shared(board: Board, apart: frozenset[str]) -> None:
    """Explains all devices of a profile by one fault of it, where that is the more probable."""
    for tags in _of_one_profile(board, apart):
        best = max(_tried(board, tags), key=lambda one: one[0], default=None)
        if best is not None and best[0] > WORTH:
            for tag, explanation in best[1].items():
                board.lighten(tag, explanation, best[2])
                board.choose(tag, explanation)


def _of_one_profile(board: Board, apart: frozenset[str]) -> Iterator[list[str]]:
    """Tags of each profile that carry load, where there are several and each has something to explain."""
    groups: dict[str, list[str]] = {}
    for tag, sighting in board.sightings.items():
        if _carries(board, tag):
            groups.setdefault(sighting.case.registers.profile.name, []).append(tag)
    for tags in groups.values():
        if len(tags) > 1 and not apart & set(tags) and all(tag in board.candidates for tag in tags):
            yield tags


def _carries(board: Board, tag: str) -> bool:
    return board.standings[tag].amps > LEAST_SHARE * board.sightings[tag].case.size.rating_a


def _tried(board: Board, tags: list[str]) -> Iterator[tuple[float, dict[str, Explanation], float]]:
    """For each fault that all could share: the gain, how each is explained, what each needs less to pay."""
    for where, (_, share) in SIGNS.items():
        found = {tag: e for tag in tags if (e := _by_sign(board, tag, where)) is not None}
        if len(found) == len(tags):
            less = -cost(Kind.SIGN, share) * (len(tags) - 1)
            yield _gain(board, found) + less, found, less / len(tags)


def _by_sign(board: Board, tag: str, where: str) -> Explanation | None:
    """The best explanation of a device with this sign turned and nothing else."""
    kept = [e for e in board.candidates[tag] if e.kinds == (Kind.SIGN,) and e.parts[0].where == where]
    return max(kept, key=lambda e: e.score, default=None)


def _gain(board: Board, found: dict[str, Explanation]) -> float:
    """How much more probable the whole is if these devices are explained so."""
    before = {tag: board.chosen[tag] for tag in found}
    start = board.joint()
    for tag, explanation in found.items():
        board.choose(tag, explanation)
    gain = board.joint() - start
    for tag, explanation in before.items():
        board.choose(tag, explanation)
    return gain
