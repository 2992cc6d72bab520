"""Ways in which an instrument's inputs can be wired, and the angle by which each moves what it sees.

Phase p of an instrument gets the voltage of phase v(p) and the current of phase i(p), perhaps turned round.
With phases at 0, -120 and 120 degrees it then sees the power of that phase at the angle

    angle(voltage v(p)) - angle(voltage i(p)) + (the angle by which the current lags) [+ 180 if turned round]

so each way is three angles, one a phase, on top of the load's own. Source: AC circuits, textbook.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from probe.judge.diagnosis.priors import Kind, cost

_AT = (0, -120, 120)
_STRAIGHT = (0, 1, 2)
_PAIRS = ((0, 1), (1, 2), (0, 2))


class Part(NamedTuple):
    """One fault of an explanation. where: phase, order, number of addresses, power of ten, ... as text.
    at: the point or group of points that it is about; "" for the whole device."""

    kind: Kind
    where: str = ""
    at: str = ""


class Wiring(NamedTuple):
    """One way. parts: the faults in it. turns: angle of each phase, degrees.

    signs: -1 where a current is turned round. rotation: 1 seen as a-b-c, -1 seen as a-c-b. currents: which
    phase's current each input gets. log_prior: of the faults together; 0 for none.
    """

    parts: tuple[Part, ...]
    turns: tuple[int, int, int]
    signs: tuple[int, int, int]
    rotation: int
    currents: tuple[int, int, int]
    log_prior: float

    @property
    def is_source(self) -> bool:
        """True if power really flows backwards."""
        return bool(self.parts) and self.parts[0].kind is Kind.BACKWARDS


def _wiring(
    parts: tuple[Part, ...],
    log_prior: float,
    *,
    volts: tuple[int, ...] = _STRAIGHT,
    amps: tuple[int, ...] = _STRAIGHT,
    signs: tuple[int, ...] = (1, 1, 1),
    rotation: int = 1,
) -> Wiring:
    turns = [_AT[volts[p]] - _AT[amps[p]] + (180 if signs[p] < 0 else 0) for p in range(3)]
    a, b, c = (turn % 360 for turn in turns)
    x, y, z = signs
    i, j, k = amps
    return Wiring(parts, (a, b, c), (x, y, z), rotation, (i, j, k), log_prior)


def _exchanged(pair: tuple[int, int]) -> tuple[int, ...]:
    order = [0, 1, 2]
    order[pair[0]], order[pair[1]] = pair[1], pair[0]
    return tuple(order)


def _turned(*phases: int) -> tuple[int, ...]:
    return tuple(-1 if p in phases else 1 for p in range(3))


def _name(pair: tuple[int, int]) -> str:
    return f"{'ABC'[pair[0]]} and {'ABC'[pair[1]]}"


def _all() -> Iterator[Wiring]:
    yield _wiring((), 0.0)
    one = cost(Kind.REVERSED, 1 / 3)
    for p in range(3):
        yield _wiring((Part(Kind.REVERSED, "ABC"[p]),), one, signs=_turned(p))
    yield _wiring((Part(Kind.ALL_REVERSED),), cost(Kind.ALL_REVERSED), signs=(-1, -1, -1))
    yield _wiring((Part(Kind.BACKWARDS),), cost(Kind.BACKWARDS), signs=(-1, -1, -1))
    for pair in _PAIRS:
        # A second one turned round is likelier than by chance: the same hands did both.
        yield _wiring((Part(Kind.REVERSED, _name(pair)),), one - 3.0, signs=_turned(*pair))
    for pair in _PAIRS:
        yield from _with_turned(Kind.AMPS_SWAPPED, _name(pair), 1 / 3, amps=_exchanged(pair))
        yield from _with_turned(Kind.VOLTS_SWAPPED, _name(pair), 1 / 3, volts=_exchanged(pair), rotation=-1)
    for roll in ((1, 2, 0), (2, 0, 1)):
        where = "".join("ABC"[p] for p in roll)
        yield from _with_turned(Kind.ROLLED, where, 1 / 2, amps=roll)
    yield _wiring((Part(Kind.ROTATION),), cost(Kind.ROTATION), rotation=-1)
    yield _wiring((Part(Kind.BOTH_SWAPPED),), cost(Kind.BOTH_SWAPPED), rotation=-1)


def _with_turned(
    kind: Kind,
    where: str,
    share: float,
    *,
    volts: tuple[int, ...] = _STRAIGHT,
    amps: tuple[int, ...] = _STRAIGHT,
    rotation: int = 1,
) -> Iterator[Wiring]:
    """The fault alone, with one current turned round as well, and with all of them."""
    prior = cost(kind, share)
    made = {"volts": volts, "amps": amps, "rotation": rotation}
    yield _wiring((Part(kind, where),), prior, **made)  # type: ignore[arg-type]
    for p in range(3):
        parts = (Part(kind, where), Part(Kind.REVERSED, "ABC"[p]))
        yield _wiring(parts, prior + cost(Kind.REVERSED, 1 / 3), signs=_turned(p), **made)  # type: ignore[arg-type]
    parts = (Part(kind, where), Part(Kind.ALL_REVERSED))
    yield _wiring(parts, prior + cost(Kind.ALL_REVERSED), signs=(-1, -1, -1), **made)  # type: ignore[arg-type]


WIRINGS: tuple[Wiring, ...] = tuple(_all())
STRAIGHT = WIRINGS[0]
#: Those that a single phase can have: its one transformer turned round, or power that flows backwards.
OF_ONE_PHASE = tuple(
    one for one in WIRINGS if one.parts in ((Part(Kind.REVERSED, "A"),), (Part(Kind.BACKWARDS),))
)
