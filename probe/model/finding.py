"""Findings and causes: what the judge says, in a form that every face and the record share.

``Finding`` and ``Expectation`` are NamedTuples like ``Exchange``, and for the same reason: a run makes tens
of each a device, and a frozen dataclass costs four times as much (1.3 us against 0.3 us here). Write them
with names; change one by ``_replace``.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Verdict(StrEnum):
    """The four words; there is no fifth, and "not tested" is never a pass."""

    PASS = "pass"
    FAIL = "fail"
    REVIEW = "review"
    NOT_TESTED = "not tested"


#: Worst first: the order in which verdicts outrank each other when they are summed up.
WORST_FIRST = (Verdict.FAIL, Verdict.NOT_TESTED, Verdict.REVIEW, Verdict.PASS)


def worst(verdicts: list[Verdict] | tuple[Verdict, ...] | set[Verdict]) -> Verdict:
    """The verdict that stands for all; NOT_TESTED for none at all (nothing asked cannot pass)."""
    for verdict in WORST_FIRST:
        if verdict in verdicts:
            return verdict
    return Verdict.NOT_TESTED


class Finding(NamedTuple):
    """One verdict of one check on one subject.

    subject: tag of a device, or ``lineup`` for the whole. point: name of the point, empty for the device.
    observed, expected, uncertainty: text with the digits that the value can carry; unit apart.
    rule: the source of the rule. evidence: sequence numbers in the record.
    danger: 0..9, how much this may hurt people or plant (orders the list; 9 first).
    """

    check: str
    subject: str
    verdict: Verdict
    title: str
    observed: str = ""
    expected: str = ""
    unit: str = ""
    uncertainty: str = ""
    rule: str = ""
    evidence: tuple[int, ...] = ()
    advice: str = ""
    point: str = ""
    cause: str | None = None
    danger: int = 0

    @property
    def id(self) -> str:
        """Stable name of this finding within one run: ``check@subject`` or ``check@subject#point``."""
        return f"{self.check}@{self.subject}" + (f"#{self.point}" if self.point else "")

    @property
    def page(self) -> str:
        """The manual's page on the check; ``buswitness checks ID`` prints it."""
        return f"docs/checks/{self.check}.md"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One likely cause that explains several findings.

    confidence_permille: 0..1000; whole, because sealed lines hold no floats.
    explains: ids of findings.
    """

    id: str
    kind: str
    subjects: tuple[str, ...]
    statement: str
    confidence_permille: int
    explains: tuple[str, ...]
    fix: str


class Expectation(NamedTuple):
    """One thing that the run must give a verdict on, written down before anything is asked.

    required: a missing verdict makes the run incomplete (exit 3).
    """

    check: str
    subject: str
    required: bool = True
