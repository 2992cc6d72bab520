"""Trials judged and marked: what the tool should have said, what it said first, and how sure it was.

Used by the tests (a small seeded sample against thresholds) and by the benchmark (thousands, with a table).
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from probe.judge import conclude, judge_device
from probe.model.device_evidence import DeviceEvidence
from probe.model.finding import Cause, Finding, Verdict
from probe.practice.trial.fault import FAULTS
from probe.practice.trial.lineup import RUN, Seat, Stock, Trial, draw, loaded, scope_of
from probe.practice.trial.truth import Truth, Unfit

HEALTHY = "healthy"
#: Faults that two can be drawn of, one of reading and one of wiring; they do not undo each other.
OF_READING = ("byte order", "address", "scale", "wye or delta")
OF_WIRING = ("reversed CT", "currents swapped", "currents rolled", "voltage missing")
#: Before the name of a fault: in a system of one phase; and the faults that there can be.
ONE_PHASE = "one phase: "
OF_ONE_PHASE = tuple(
    ONE_PHASE + name
    for name in (
        "byte order", "address", "type", "scale", "reversed CT", "power flows backwards", "nominal",
        "current ratio", "voltage ratio", "exchanged", "one for two", "sign of powers",
    )
)  # fmt: skip
#: The same in a delta with a grounded corner, where a phase shows no voltage and another the line voltage.
DELTA = "delta: "
OF_DELTA = tuple(
    DELTA + name for name in ("byte order", "scale", "reversed CT", "currents swapped", "voltage ratio")
)
#: Beyond this a phase to ground would leave the range of voltages to neutral in the profiles.
HIGHEST_DELTA_V = 420.0
#: Smallest part of the rating that a load is in the trials that count.
LOADED = 0.1
_ATTEMPTS = 400
_BAD = (Verdict.FAIL, Verdict.REVIEW)


class Mark(NamedTuple):
    """One trial judged. said: kind of the first cause at the faulty device, "" for none.

    right: the kind is right (where physics cannot tell two apart, either); exact: it is the very one. named:
    the place as well, and every alternative that must be. permille: how sure the tool was of what it said.
    alarms: sound devices that were blamed; sound: how many there were.
    """

    fault: str
    said: str
    right: bool
    exact: bool
    named: bool
    permille: int
    alarms: int
    sound: int
    causes: tuple[Cause, ...]
    truths: tuple[Truth, ...]


class Drawn(NamedTuple):
    """A trial, what was put in, and what its devices answered."""

    trial: Trial
    truths: tuple[Truth, ...]
    evidence: Mapping[str, DeviceEvidence]


class Judged(NamedTuple):
    """What the tool said of a trial."""

    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]


def sat(fault: str, seed: object, stock: Stock, *, light: bool = False) -> Mark:
    """A trial of a fault (or ``healthy``, or two joined by " + "), drawn, judged and marked."""
    trial, truths, evidence = drawn(fault, seed, stock, light=light)
    return marked(fault, trial, judged(trial, evidence), truths)


def drawn(fault: str, seed: object, stock: Stock, *, light: bool = False) -> Drawn:
    """A trial in which the fault can show, drawn until it does. Raises RuntimeError if it never does."""
    single, delta = fault.startswith(ONE_PHASE), fault.startswith(DELTA)
    bare = fault.removeprefix(ONE_PHASE).removeprefix(DELTA)
    names = [] if bare == HEALTHY else bare.split(" + ")
    for attempt in range(_ATTEMPTS):
        dice = random.Random(f"{fault}/{seed}/{attempt}")
        # A proof point that fails voids all values, and with them what would tell of a second fault.
        trial = draw(dice, stock, light=light, proofs=False if len(names) > 1 else None, single=single)
        if delta:
            if trial.bus.nominal_v > HIGHEST_DELTA_V:
                continue
            trial.bus = trial.bus.corner_grounded()
        seats = trial.seats if light else loaded(trial.seats, LOADED)
        try:
            truths = _put_in(names, trial, seats, dice)
            evidence = trial.evidence()
        except (Unfit, ValueError):  # ValueError: a register cannot hold the value
            continue
        return Drawn(trial, truths, evidence)
    raise RuntimeError(f"{fault} was never drawn")


def _put_in(names: list[str], trial: Trial, seats: Sequence[Seat], dice: random.Random) -> tuple[Truth, ...]:
    """The faults put in, both at one device or each at its own."""
    if not seats:
        raise Unfit
    if len(names) < 2:
        return tuple(FAULTS[name](trial, dice.choice(seats), dice) for name in names)
    one = dice.choice(seats)
    other = one if dice.random() < 0.5 else dice.choice(seats)
    return (FAULTS[names[0]](trial, one, dice), FAULTS[names[1]](trial, other, dice))


def judged(trial: Trial, evidence: Mapping[str, DeviceEvidence]) -> Judged:
    """What the tool says."""
    lineup, scope = trial.lineup(), scope_of(trial)
    told = {tag: judge_device(lineup, scope, one, RUN) for tag, one in evidence.items()}
    conclusion = conclude(lineup, scope, told, RUN)
    findings = tuple(f for f in conclusion.findings if not f.check.startswith("run."))
    return Judged(findings, conclusion.causes)


def marked(fault: str, trial: Trial, said: Judged, truths: tuple[Truth, ...]) -> Mark:
    """The mark of what was said."""
    faulty = {tag for truth in truths for tag in truth.tags}
    mine = [cause for cause in said.causes if set(cause.subjects) & faulty]
    right = [_first(mine, truth) for truth in truths]
    sound = [seat.tag for seat in trial.seats if seat.tag not in faulty]
    blamed = _blamed(said, faulty)
    return Mark(
        fault=fault,
        said=mine[0].kind if mine else "",
        right=all(cause is not None for cause in right),
        exact=all(
            c is not None and bool({t.kinds[0], "register map"} & set(c.kind.split(" + ")))
            for c, t in zip(right, truths, strict=True)
        ),
        named=all(c is not None and _names(c, t) for c, t in zip(right, truths, strict=True)),
        permille=mine[0].confidence_permille if mine else 0,
        alarms=sum(tag in blamed for tag in sound),
        sound=len(sound),
        causes=said.causes,
        truths=truths,
    )


def _first(causes: list[Cause], truth: Truth) -> Cause | None:
    """The first cause at the device of a fault, if its kind is right."""
    here = [cause for cause in causes if set(cause.subjects) & set(truth.tags)]
    for cause in here[:2]:
        if set(cause.kind.split(" + ")) & set(truth.kinds) and (cause is here[0] or len(causes) > 1):
            return cause
    return None


def _names(cause: Cause, truth: Truth) -> bool:
    text = cause.statement.casefold()
    placed = not truth.where or any(word.casefold() in text for word in truth.where)
    return placed and all(word.casefold() in text for word in truth.also)


def _blamed(said: Judged, faulty: set[str]) -> set[str]:
    """Subjects of findings that are bad and hang under no cause at a faulty device."""
    excused = {name for cause in said.causes if set(cause.subjects) & faulty for name in cause.explains}
    return {f.subject for f in said.findings if f.verdict in _BAD and f.id not in excused}
