"""Trials: one comparison each, and the findings that come of several; the only place that words them.

A trial holds a number with its uncertainty against limits. The limits are what instruments of their class
may differ by; the uncertainty is what the registers' steps and the time between readings leave open. So a
number across a limit is for review: the measurement cannot tell.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from probe.judge.check import Check
from probe.judge.electrical.snapshot import Measured
from probe.judge.limit import Interval, around, exactly, within
from probe.judge.wording import number
from probe.model.finding import Finding, Verdict

#: Limits are wider than what the classes allow by so many times what is left open: healthy instruments of
#: their class may differ by class and once that, and still lie inside with all their uncertainty.
ROOM = 2.0
#: Share of a value that may be left open; beyond it a comparison is worth nothing. Common practice.
MOST_OPEN = 0.12


class Trial(NamedTuple):
    """point: what the finding is about (a point's name, a phase, another tag). title: of a finding that is
    no pass. soft: what lies outside is for review, not a failure. told: the observed value in words. size: of
    what is compared, 0 where it does not matter (see ``is_blunt``)."""

    point: str
    seen: Interval
    low: float | None
    high: float | None
    title: str
    advice: str
    unit: str = ""
    decimals: int = 1
    soft: bool = False
    told: str = ""
    evidence: tuple[int, ...] = ()
    size: float = 0.0

    @property
    def is_blunt(self) -> bool:
        """True if so much is left open that only a failure would tell anything."""
        if not self.size or self.verdict is Verdict.FAIL:
            return False
        return within(exactly(self.seen.half_width), None, MOST_OPEN * self.size) is not Verdict.PASS

    @property
    def verdict(self) -> Verdict:
        """Of this comparison alone."""
        verdict = within(self.seen, self.low, self.high)
        return Verdict.REVIEW if self.soft and verdict is Verdict.FAIL else verdict

    @property
    def margin(self) -> float:
        """How much of the way to a limit is used, 1 on it; 0 where there is only a lower one."""
        if self.high is None:
            return 0.0
        if self.low is None:
            return self.seen.middle / self.high if self.high > 0 else 0.0
        half = (self.high - self.low) / 2
        return abs(self.seen.middle - (self.high + self.low) / 2) / half if half > 0 else 0.0

    @property
    def observed(self) -> str:
        """The number as it is shown, and where it comes from."""
        text = number(self.seen.middle, self.decimals)
        return f"{text} ({self.told})" if self.told else text

    @property
    def expected(self) -> str:
        """The limits in words."""
        low = None if self.low is None else number(self.low, self.decimals)
        high = None if self.high is None else number(self.high, self.decimals)
        if low is None or high is None:
            return f"at most {high}" if low is None else f"at least {low}"
        return f"{low} to {high}"

    @property
    def uncertainty(self) -> str:
        """Half the width of what is left open."""
        return number(self.seen.half_width, self.decimals + 1)


def roomy(spare: float, left: float) -> float:
    """Half the distance between limits: what the classes allow, and room for what is left open."""
    return spare + ROOM * left


def trial(  # noqa: PLR0913 (one comparison takes as much)
    point: str,
    value: float,
    uncertainty: float,
    limits: tuple[float | None, float | None],
    *,
    title: str,
    advice: str,
    unit: str = "",
    decimals: int = 1,
    soft: bool = False,
    told: str = "",
    by: Iterable[Measured] = (),
    size: float = 0.0,
) -> Trial:
    """A trial of a value plus or minus an uncertainty. by: the readings that it comes from."""
    evidence = tuple(dict.fromkeys(measured.sequence for measured in by))[:8]
    seen = around(value, uncertainty)
    return Trial(point, seen, *limits, title, advice, unit, decimals, soft, told, evidence, size)


def _too_blunt(one: Trial) -> str:
    return (
        f"the registers' steps and the time between readings leave {one.uncertainty} {one.unit} open".rstrip()
        + ", too much to compare: it takes more load, readings closer together, or more rounds (--dwell) "
        "that show how the load really moves"
    )


def graded(point: str, value: float, uncertainty: float, limits: tuple[float, float], **facts: Any) -> Trial:
    """A trial with two upper limits: above the first it is for review, above the second it fails."""
    review, fail = limits
    hard = within(around(value, uncertainty), None, fail) is Verdict.FAIL
    return trial(point, value, uncertainty, (None, fail if hard else review), soft=not hard, **facts)


def banded(
    point: str, value: float, uncertainty: float, limits: tuple[float, float, float], **facts: Any
) -> Trial:
    """A trial that fails below the first limit and above the third, and is for review below the second."""
    fail, review, high = limits
    hard = within(around(value, uncertainty), fail, high) is Verdict.FAIL
    low = fail if hard else review
    return trial(point, value, uncertainty, (low, high), soft=not hard, **facts)


def settled(check: Check, subject: str, trials: Sequence[Trial], good: str) -> Iterable[Finding]:
    """Findings of all trials that do not pass; one pass if all do; nothing without a trial.

    good: title of the pass, which shows the trial that came nearest to its limits.
    """
    sharp = [one for one in trials if not one.is_blunt]
    if trials and not sharp:
        yield check.untested(subject, _too_blunt(trials[0]))
    trials = sharp
    bad = [one for one in trials if one.verdict is not Verdict.PASS]
    for one in bad:
        verdict = one.verdict
        yield check.find(
            subject,
            verdict,
            one.title,
            observed=one.observed,
            expected=one.expected,
            unit=one.unit,
            uncertainty=one.uncertainty,
            point=one.point,
            evidence=one.evidence,
            advice=one.advice,
            danger=None if verdict is Verdict.FAIL else max(1, check.danger - 2),
        )
    if trials and not bad:
        nearest = max(trials, key=lambda one: one.margin)
        yield check.find(
            subject,
            Verdict.PASS,
            good,
            observed=nearest.observed,
            expected=nearest.expected,
            unit=nearest.unit,
            uncertainty=nearest.uncertainty,
            evidence=nearest.evidence,
        )
