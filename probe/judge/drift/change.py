"""Change: has a measured series left its usual range, by a test that states how often it errs.

For every run that a change may have begun with, a bet runs on: "values from here on rank among the highest".
The k-th value since then, ranked among all n before it and itself, is one of the k highest with the chance
k / (n + 1) while nothing changes, whatever the distribution (all orders are equally likely then). A bet at
those odds is fair, so that the sum of all bets is expected to grow by one a run, and an alarm when it reaches
``runs`` comes, while nothing changes, on average once in ``runs`` runs at most.

No usual range is assumed and no mean is taken: one wild value cannot give an alarm, and a slow device is as
welcome as a quick one. What breaks the promise is said in docs/sweeps.md: values that hang together (a load's
day and night, seen by runs at different hours).
Source: Shiryaev-Roberts procedure (E[R_n] = n, hence the mean time to a false alarm; from memory); ranks of
exchangeable values are uniform and independent (A. Renyi, 1962; from memory).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

#: Shares of the stake that are put on the value not being among the highest; as many bets, mixed equally.
DOUBTS = (0.02, 0.15, 0.4)
#: Fewer values before a change tell nothing of what is usual.
FEWEST = 8
#: Runs back at which a change may have begun; older bets have won or lost.
MEMORY = 60


@dataclass(frozen=True, slots=True)
class Change:
    """An alarm. at: index of the run that gave it; since: of the first run of the change, most likely.

    before, after: medians of the values before ``since`` and from there on. up: it rose.
    """

    at: int
    since: int
    before: float
    after: float

    @property
    def up(self) -> bool:
        """True if the values rose."""
        return self.after > self.before


def changes(values: Iterable[float], *, runs: float) -> tuple[Change, ...]:
    """Every change in the series, oldest first; after each, what is usual is learned anew.

    runs: on average, at most one false alarm in so many runs of this series.
    """
    found: list[Change] = []
    test = ChangeTest(runs)
    for at, value in enumerate(values):
        change = test.take(at, value)
        if change is not None:
            found.append(change)
    return tuple(found)


@dataclass(slots=True)
class _Bet:
    """What became of a stake of 1 since the run ``began``, for each doubt. known: values before that run."""

    began: int
    known: int
    stakes: list[float] = field(default_factory=lambda: [1.0 / len(DOUBTS)] * len(DOUBTS))

    def take(self, rank: int, count: int) -> None:
        """The value is the rank-th of ``count`` (1: the most extreme)."""
        chance = (count - self.known) / count
        for number, doubt in enumerate(DOUBTS):
            if doubt >= 1.0 - chance:  # hardly anything was usual: nothing to win
                continue
            odds = (1.0 - doubt) / chance if rank <= count - self.known else doubt / (1.0 - chance)
            self.stakes[number] *= odds


class ChangeTest:
    """Takes the values one by one."""

    def __init__(self, runs: float) -> None:
        self._runs = runs
        self._begin([])

    def _begin(self, history: list[tuple[int, float]]) -> None:
        self._history = history
        self._sorted = sorted(value for _, value in history)
        self._bets: dict[bool, deque[_Bet]] = {up: deque(maxlen=MEMORY) for up in (True, False)}

    def take(self, at: int, value: float) -> Change | None:
        """The change that this value makes certain, None without one."""
        count = len(self._sorted) + 1
        # Equal values count against the bet: cautious.
        ranks = {True: count - bisect_left(self._sorted, value), False: bisect_right(self._sorted, value) + 1}
        if count > FEWEST:
            for bets in self._bets.values():
                bets.append(_Bet(at, count - 1))
        insort(self._sorted, value)
        self._history.append((at, value))
        total = 0.0
        for up, bets in self._bets.items():
            for bet in bets:
                bet.take(ranks[up], count)
                total += sum(bet.stakes)
        return self._changed(at) if total / 2 >= self._runs else None

    def _changed(self, at: int) -> Change:
        """The change; what is usual is learned anew from the values since it began."""
        best = max((bet for bets in self._bets.values() for bet in bets), key=lambda bet: sum(bet.stakes))
        before = [value for when, value in self._history if when < best.began]
        after = [pair for pair in self._history if pair[0] >= best.began]
        self._begin(after)
        return Change(at, best.began, _median(before), _median([value for _, value in after]))


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2
