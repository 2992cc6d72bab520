"""Working: what every desk calculation hands back, so that a person can follow it and check it.

A value carries its interval where an input had one. A limit is compared once, here: whole interval inside
is a pass, whole interval outside a fail, an interval across the limit a review; without a limit the value is
*not tested*, never a pass. What must hold over a range of operation (supply tolerance, temperature, age) is
calculated at its worst end by the calculation itself; only uncertainty makes an interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from probe.model.finding import WORST_FIRST, Verdict, worst

#: A value that differs from its limit by rounding alone is at the limit.
_ROUNDING = 1e-9

COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """A number as it was given, with its unit and how far the true value may lie to either side."""

    value: float
    unit: str
    plus_minus: float = 0.0

    @property
    def low(self) -> float:
        """Smallest value that it may have."""
        return self.value - self.plus_minus

    @property
    def high(self) -> float:
        """Largest value that it may have."""
        return self.value + self.plus_minus

    def __str__(self) -> str:
        spread = f" ± {self.plus_minus:g}" if self.plus_minus else ""
        return f"{self.value:g}{spread} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of the arithmetic. source: where its formula or its number comes from, empty for sums."""

    text: str
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """A value that came out, between low and high. exists: False where the equations have no solution."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    exists: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """A limit. beyond: farther than sure where texts or kinds differ; between the two is a review."""

    sure: float
    beyond: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One value against one limit. margin: distance to the sure limit, positive inside."""

    outcome: Outcome
    verdict: Verdict
    least: Bound | None = None
    most: Bound | None = None
    margin: float = 0.0
    source: str = ""
    remark: str = ""

    @property
    def margin_unit(self) -> str:
        """Unit of the margin: two levels in dBm differ by dB."""
        return "dB" if self.outcome.unit == "dBm" else self.outcome.unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """A rule that has no number: met or not, and why."""

    name: str
    verdict: Verdict
    text: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Working:
    """One whole calculation. caution: what a person must know before acting on it."""

    calculation: str
    inputs: tuple[tuple[str, Amount | str | int], ...]
    steps: tuple[Step, ...]
    result: tuple[Outcome, ...]
    checks: tuple[Check, ...] = ()
    statements: tuple[Statement, ...] = ()
    caution: str = ""

    @property
    def verdict(self) -> Verdict:
        """Worst of all that was compared; not tested if nothing was."""
        found = [*(one.verdict for one in self.checks), *(one.verdict for one in self.statements)]
        return worst(found) if found else Verdict.NOT_TESTED

    @property
    def closest(self) -> Check | None:
        """The check of the worst verdict with the least margin, as a share of its limit; None without one."""

        def nearness(check: Check) -> tuple[int, float]:
            bound = check.least or check.most
            assert bound is not None  # a check has one of the two
            return WORST_FIRST.index(check.verdict), check.margin / max(abs(bound.sure), _ROUNDING)

        return min((one for one in self.checks if one.outcome.exists), key=nearness, default=None)

    @property
    def sources(self) -> tuple[str, ...]:
        """Every source that the calculation leans on, once, in order."""
        named: list[Step | Check | Statement] = [*self.steps, *self.checks, *self.statements]
        return tuple(dict.fromkeys(one.source for one in named if one.source))


def exact(name: str, value: float, unit: str) -> Outcome:
    """A value without an interval."""
    return Outcome(name=name, value=value, low=value, high=value, unit=unit)


def between(name: str, value: float, ends: Sequence[float], unit: str) -> Outcome:
    """A value with its interval; ends in any order."""
    return Outcome(name=name, value=value, low=min(*ends, value), high=max(*ends, value), unit=unit)


def missing(name: str, unit: str) -> Outcome:
    """A value that does not exist: the equations have no solution."""
    return Outcome(name=name, value=0.0, low=0.0, high=0.0, unit=unit, exists=False)


def at_least(outcome: Outcome, limit: float, source: str, remark: str = "") -> Check:
    """The value must not be below the limit."""
    bound = Bound(sure=limit, beyond=limit)
    if not outcome.exists:
        return Check(outcome=outcome, verdict=Verdict.FAIL, least=bound, source=source, remark=remark)
    verdict = _verdict(outcome.low - limit, outcome.high - limit, limit)
    return Check(
        outcome=outcome,
        verdict=verdict,
        least=bound,
        margin=outcome.value - limit,
        source=source,
        remark=remark,
    )


def at_most(outcome: Outcome, limit: float | Bound, source: str, remark: str = "") -> Check:
    """The value must not be above the limit."""
    bound = limit if isinstance(limit, Bound) else Bound(sure=limit, beyond=limit)
    if not outcome.exists:
        return Check(outcome=outcome, verdict=Verdict.FAIL, most=bound, source=source, remark=remark)
    verdict = _verdict(bound.sure - outcome.high, bound.beyond - outcome.low, bound.beyond)
    return Check(
        outcome=outcome,
        verdict=verdict,
        most=bound,
        margin=bound.sure - outcome.value,
        source=source,
        remark=remark,
    )


def _verdict(least_margin: float, most_margin: float, limit: float) -> Verdict:
    rounding = _ROUNDING * max(1.0, abs(limit))
    if least_margin >= -rounding:
        return Verdict.PASS
    return Verdict.FAIL if most_margin < -rounding else Verdict.REVIEW
