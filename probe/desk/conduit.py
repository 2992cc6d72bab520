"""Conduit: which cables may run together, and how far data cables keep from power.

What may share a conduit is common practice without a source, each rule marked so, unless a text that quotes
a code was read. A pair that no rule names is *not tested*: the engineer of the site decides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

from probe.desk.working import COMMON_PRACTICE, Amount, Statement, Step, Working, at_least, between
from probe.model.cable_words import Cable
from probe.model.finding import Verdict

CAUTION = "The code in force at the site and its engineer decide; open no conduit of energized circuits."
_CLASS_2 = "NFPA 70, 725.136 and 800.133 (as forum texts quote it)"
_DISTANCE = "EN 50174-2, A = S * P (from memory)"


class _Rule(NamedTuple):
    together: bool
    text: str
    source: str


_RULES = {
    frozenset((Cable.CONTROL, Cable.FIBRE)): _Rule(
        False, "14 AWG switchboard control wire does not share a conduit with fibre", COMMON_PRACTICE
    ),
    frozenset((Cable.CONTROL, Cable.PAIR)): _Rule(
        False,
        "14 AWG switchboard control wire does not share a conduit with twisted-pair communication cable",
        COMMON_PRACTICE,
    ),
    frozenset((Cable.FIBRE, Cable.PAIR)): _Rule(
        True, "fibre and twisted-pair communication cable may share a conduit", COMMON_PRACTICE
    ),
    frozenset((Cable.POWER, Cable.PAIR)): _Rule(
        False, "communication circuits do not share an enclosure or raceway with power", _CLASS_2
    ),
    frozenset((Cable.POWER, Cable.FIBRE)): _Rule(
        False, "fibre keeps its own conduit beside power", COMMON_PRACTICE
    ),
    **{
        frozenset((kind,)): _Rule(True, f"{kind} with its own kind", COMMON_PRACTICE)
        for kind in (Cable.FIBRE, Cable.PAIR, Cable.CONTROL)
    },
}

#: Least distance S in mm by class of data cable and divider: none, open, perforated, solid metal.
#: Source: EN 50174-2 (from memory).
DIVIDERS = ("none", "open", "perforated", "solid")
_S_MM = {
    "a": (300.0, 225.0, 150.0, 0.0),
    "b": (100.0, 75.0, 50.0, 0.0),
    "c": (50.0, 38.0, 25.0, 0.0),
    "d": (10.0, 8.0, 5.0, 0.0),
}
CLASSES = tuple(_S_MM)
_P = ((3, 0.2), (6, 0.4), (9, 0.6), (12, 0.8), (15, 1.0), (30, 2.0), (45, 3.0), (60, 4.0), (75, 5.0))
_P_MOST = 6.0
#: mm by screen of power and of data cable: no or non-metallic divider, aluminium, steel.
#: Source: EN 50174-2 (table of the 2000 edition, as a public text quotes it).
SEPARATION_2000_MM = {
    (False, False): (200.0, 100.0, 50.0),
    (False, True): (50.0, 20.0, 5.0),
    (True, False): (30.0, 10.0, 2.0),
    (True, True): (0.0, 0.0, 0.0),
}


class Neighbourhood(NamedTuple):
    """Data cables beside power. circuits: of 20 A at 230 V, single-phase."""

    data_class: str
    divider: str
    circuits: int
    distance_mm: Amount


def circuits_of(amperes: float, phases: int) -> int:
    """Circuits that a feeder counts for: a three-phase one as three, above 20 A in multiples of 20 A.

    Source: EN 50174-2 (from memory).
    """
    return math.ceil(amperes / 20) * phases


def separation_mm(data_class: str, divider: str, circuits: int) -> float:
    """Least distance between data and power cables, mm: A = S * P.

    Raises KeyError or ValueError for a class or a divider that the table does not have.
    Source: EN 50174-2 (from memory).
    """
    return _S_MM[data_class][DIVIDERS.index(divider)] * _power_factor(circuits)


def _power_factor(circuits: int) -> float:
    if circuits <= 0:
        return 0.0
    return next((factor for most, factor in _P if circuits <= most), _P_MOST)


def may_share(cables: Sequence[Cable]) -> tuple[Statement, ...]:
    """A statement for each pair of cables in one conduit, and for kinds that are there more than once.

    Source: common practice, no source; NFPA 70, 725.136 and 800.133 (as forum texts quote it).
    """
    kinds = list(dict.fromkeys(cables))
    pairs = [frozenset(pair) for pair in combinations(kinds, 2)]
    pairs += [frozenset((kind,)) for kind in kinds if cables.count(kind) > 1 or len(kinds) == 1]
    return tuple(_statement(pair) for pair in pairs)


def _statement(pair: frozenset[Cable]) -> Statement:
    name = " with ".join(sorted(pair))
    rule = _RULES.get(pair)
    if rule is None:
        text = "no rule is known here: ask the engineer of the site"
        return Statement(name=name, verdict=Verdict.NOT_TESTED, text=text, source=COMMON_PRACTICE)
    verdict = Verdict.PASS if rule.together else Verdict.FAIL
    return Statement(name=name, verdict=verdict, text=rule.text, source=rule.source)


def _screens(power: bool, data: bool) -> str:
    words = [name for name, screened in (("power", power), ("data", data)) if screened]
    return " and ".join(words) + " screened" if words else "unscreened"


def conduit(cables: Sequence[Cable], beside: Neighbourhood | None = None) -> Working:
    """Which of the cables may share a conduit; with neighbours, whether the distance to power is enough.

    Source: common practice, no source; EN 50174-2 (from memory).
    """
    inputs: list[tuple[str, Amount | str | int]] = [("cables", ", ".join(cables))]
    if beside is None:
        return Working(
            calculation="conduit",
            inputs=tuple(inputs),
            steps=(),
            result=(),
            statements=may_share(cables),
            caution=CAUTION,
        )
    least = separation_mm(beside.data_class, beside.divider, beside.circuits)
    s_mm, p = _S_MM[beside.data_class][DIVIDERS.index(beside.divider)], _power_factor(beside.circuits)
    step = Step(
        text=f"A = S * P = {s_mm:g} mm (class {beside.data_class}, divider {beside.divider}) * {p:g} "
        f"({beside.circuits} circuits) = {least:g} mm",
        source=_DISTANCE,
    )
    former = "; ".join(f"{_screens(*key)} {row[0]:g} mm" for key, row in SEPARATION_2000_MM.items())
    before = Step(
        text=f"for older drawings, without a divider: {former}",
        source="EN 50174-2:2000, table (as a public text quotes it)",
    )
    given = beside.distance_mm
    distance = between("distance to power", given.value, (given.low, given.high), "mm")
    inputs += [("class", beside.data_class), ("divider", beside.divider), ("circuits", beside.circuits)]
    return Working(
        calculation="conduit",
        inputs=(*inputs, ("distance", given)),
        steps=(step, before),
        result=(distance,),
        checks=(at_least(distance, least, _DISTANCE),),
        statements=may_share(cables),
        caution=CAUTION,
    )
