"""Outcomes of one step: what was seen of each expectation, in words that tell right, wrong, late, twice and
elsewhere apart. Plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from probe.judge.witness.plan import Item
from probe.judge.witness.step_run import StepRun
from probe.judge.witness.track import Change
from probe.model.finding import Verdict, worst
from probe.model.procedure import Confirm
from probe.model.signal_words import Signal


class Kind(StrEnum):
    """What became of an expectation."""

    SEEN = "seen"
    WAITING = "waiting"  # while the step goes on
    HOLDING = "so far"  # what must remain, while the step goes on
    NOTHING = "nothing changed"
    WRONG = "wrong"
    LATE = "late"
    TWICE = "twice"
    ELSEWHERE = "elsewhere"
    EARLY = "before the go"
    NOT_HELD = "did not stay"
    ORDER = "out of order"
    UNSURE = "cannot tell"
    UNREAD = "not read"


VERDICTS = {
    Kind.SEEN: Verdict.PASS,
    Kind.UNSURE: Verdict.REVIEW,
    Kind.UNREAD: Verdict.NOT_TESTED,
    Kind.WAITING: Verdict.NOT_TESTED,
    Kind.HOLDING: Verdict.NOT_TESTED,
}
NO_SIGNAL = Signal("")
#: A type without a log takes nothing from a step that is about something else.
_TELLING = (Verdict.FAIL, Verdict.REVIEW)
#: What somebody must know at once, on top of a failure.
WRONG_PLACE_DANGER = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One expectation on one device. low_ns, high_ns: when it was seen, 0 if it was not.

    expected, observed: words. timing: when, after what; "" where there is nothing to time.
    """

    tag: str
    id: str
    kind: Kind
    title: str
    expected: str
    observed: str
    signal: Signal = NO_SIGNAL
    timing: str = ""
    low_ns: int = 0
    high_ns: int = 0
    evidence: tuple[int, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """What the kind means."""
        return VERDICTS.get(self.kind, Verdict.FAIL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a person answered to one confirmation."""

    confirm: Confirm
    ask: str
    said: str
    verdict: Verdict
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One entry of a device's own log. Times are Unix seconds by this computer's clock: the stamp corrected
    by how far the device's clock was off. stamp: as the device shows it, in words."""

    tag: str
    number: int
    what: str
    stamp: str
    low_s: float
    high_s: float
    sequence: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Logged:
    """The device's own log beside what was seen. events: those of the step, oldest first."""

    verdict: Verdict
    title: str
    observed: str = ""
    expected: str = ""
    events: tuple[Event, ...] = ()
    evidence: tuple[int, ...] = ()
    report_s: str = ""


@dataclass(slots=True, kw_only=True)
class StepOutcome:
    """All that one round of a step came to. unwatched: devices that were not asked after the act was over."""

    item: Item
    run: StepRun
    outcomes: tuple[Outcome, ...] = ()
    said: tuple[Said, ...] = ()
    elsewhere: tuple[Change, ...] = ()
    beside: tuple[Change, ...] = ()
    missing_cautions: tuple[str, ...] = ()
    logged: Logged | None = None
    unwatched: tuple[str, ...] = ()
    untested: str = ""

    @property
    def seen(self) -> Verdict:
        """Of what was expected to be seen; NOT_TESTED for none or a step that was not done."""
        if self.untested:
            return Verdict.NOT_TESTED
        return worst([one.verdict for one in self.outcomes]) if self.outcomes else Verdict.PASS

    @property
    def confirmed(self) -> Verdict:
        """Of what a person had to confirm."""
        if self.untested:
            return Verdict.NOT_TESTED
        return worst([one.verdict for one in self.said]) if self.said else Verdict.PASS

    @property
    def verdict(self) -> Verdict:
        """Of everything together."""
        parts = [self.seen, self.confirmed]
        if self.elsewhere or self.missing_cautions:
            parts.append(Verdict.FAIL)
        if self.beside or self.unwatched:
            parts.append(Verdict.REVIEW)
        if self.logged is not None and (self.item.step.log == "whole" or self.logged.verdict in _TELLING):
            parts.append(self.logged.verdict)
        return worst(parts)
