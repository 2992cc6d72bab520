"""What is kept of each device for the diagnosis of the whole lineup: its registers and what explains them."""

from __future__ import annotations

from math import exp
from typing import NamedTuple

from probe.judge.diagnosis.priors import Kind
from probe.judge.diagnosis.search import Case, Explanation
from probe.judge.electrical.topology import Stand


class Rating(NamedTuple):
    """A rating that the device shows, beside the one that the map gives it; amperes or volts."""

    point: str
    shown: float
    drawn: float

    @property
    def agrees(self) -> bool:
        """True if they are the same."""
        return abs(self.shown - self.drawn) <= 0.005 * self.drawn


class Sighting(NamedTuple):
    """One device. explanations: best first; empty where nothing was suspicious.
    stand: how its breaker stands by its own word. serial: its serial number as read, "" if it shows none."""

    case: Case
    explanations: tuple[Explanation, ...]
    ratings: tuple[Rating, ...]
    stand: Stand = Stand.CLOSED
    serial: str = ""


def shares(explanations: tuple[Explanation, ...]) -> list[float]:
    """How probable each explanation is among them; they sum to 1."""
    top = explanations[0].score
    sizes = [exp(max(e.score - top, -700.0)) for e in explanations]
    whole = sum(sizes)
    return [size / whole for size in sizes]


def share_of(explanations: tuple[Explanation, ...], kinds: tuple[Kind, ...]) -> float:
    """How probable it is that the faults are just of these kinds, wherever they sit."""
    wanted = sorted(kinds)
    parts = zip(explanations, shares(explanations), strict=True)
    return sum(share for e, share in parts if sorted(e.kinds) == wanted)
