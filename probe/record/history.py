"""History: what became of a finding over several runs, and deviations that somebody accepts.

A failure is never erased: a finding that passes on a retest shows that it failed first, when and by whom.
An accepted deviation stays what it was, a finding that fails, with a name, a reason and a date beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from probe.model.finding import Finding, Verdict
from probe.record.body import flag, text
from probe.record.line import Plain


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """Somebody accepts one finding of one run as it is.

    finding: its id; code: of the record of that run (SHA-256 of its last line); verdict, title, observed,
    expected: what exactly is accepted. by, reason: as stated. at_wall_ns: when, by the computer's clock.
    key: public key that sealed the acceptance, empty for none.
    """

    finding: str
    code: str
    verdict: Verdict
    title: str
    observed: str
    expected: str
    by: str
    reason: str
    at_wall_ns: int
    key: str = ""

    def covers(self, finding: Finding) -> bool:
        """Whether just this result was accepted: the same finding, seen and judged the same."""
        seen = (finding.id, finding.verdict, finding.observed, finding.expected)
        return seen == (self.finding, self.verdict, self.observed, self.expected)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """What one run said of a finding.

    source: which run, from 1 in the order of time. gone: the run judged the check anew and no longer found
    this; then the verdict is the check's own. evidence: line numbers in the merged record.
    """

    source: int
    verdict: Verdict
    title: str
    observed: str
    expected: str
    gone: bool
    at_wall_ns: int
    operator: str
    key: str
    evidence: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """The stages of one finding in the order of time. accepted: what was accepted of it, if anything.

    disposition: ``open`` (still fails or is untested or in review), ``accepted`` (the same, but just this
    result was accepted), ``closed`` (passes now and did not before), ``passed`` (never did anything else).
    """

    finding: str
    stages: tuple[Stage, ...]
    accepted: tuple[Acceptance, ...] = ()
    disposition: str = "open"


def acceptance_body(acceptance: Acceptance) -> Mapping[str, Plain]:
    """An acceptance as the body of its line."""
    return {
        "at_wall_ns": str(acceptance.at_wall_ns),
        "by": acceptance.by,
        "code": acceptance.code,
        "expected": acceptance.expected,
        "finding": acceptance.finding,
        "key": acceptance.key,
        "observed": acceptance.observed,
        "reason": acceptance.reason,
        "title": acceptance.title,
        "verdict": acceptance.verdict.value,
    }


def acceptance_from(body: Mapping[str, Any]) -> Acceptance:
    """The acceptance that a line holds. Raises KeyError, TypeError or ValueError if it is none."""
    return Acceptance(
        finding=text(body["finding"]),
        code=text(body["code"]),
        verdict=Verdict(body["verdict"]),
        title=text(body["title"]),
        observed=text(body["observed"]),
        expected=text(body["expected"]),
        by=text(body["by"]),
        reason=text(body["reason"]),
        at_wall_ns=int(body["at_wall_ns"]),
        key=text(body["key"]),
    )


def history_body(history: History) -> Mapping[str, Plain]:
    """A history as the body of its line."""
    return {
        "accepted": [acceptance_body(one) for one in history.accepted],
        "disposition": history.disposition,
        "finding": history.finding,
        "stages": [_stage_body(stage) for stage in history.stages],
    }


def history_from(body: Mapping[str, Any]) -> History:
    """The history that a line holds. Raises KeyError, TypeError or ValueError if it is none."""
    return History(
        finding=text(body["finding"]),
        stages=tuple(_stage_from(item) for item in body["stages"]),
        accepted=tuple(acceptance_from(item) for item in body["accepted"]),
        disposition=text(body["disposition"]),
    )


def _stage_body(stage: Stage) -> Mapping[str, Plain]:
    return {
        "at_wall_ns": str(stage.at_wall_ns),
        "evidence": stage.evidence,
        "expected": stage.expected,
        "gone": stage.gone,
        "key": stage.key,
        "observed": stage.observed,
        "operator": stage.operator,
        "source": stage.source,
        "title": stage.title,
        "verdict": stage.verdict.value,
    }


def _stage_from(body: Mapping[str, Any]) -> Stage:
    return Stage(
        source=int(body["source"]),
        verdict=Verdict(body["verdict"]),
        title=text(body["title"]),
        observed=text(body["observed"]),
        expected=text(body["expected"]),
        gone=flag(body["gone"]),
        at_wall_ns=int(body["at_wall_ns"]),
        operator=text(body["operator"]),
        key=text(body["key"]),
        evidence=tuple(int(number) for number in body["evidence"]),
    )
