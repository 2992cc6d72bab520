"""What a run tells its observers while it goes, and what it is kept in.

Dashboard, plain log and JSON are observers; the record is the ledger. An observer that raises is reported
once and dropped; a ledger that raises ends the run as incomplete, at once and in plain words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol, runtime_checkable

from probe.judge.clock_state import ClockState, ClockVerdict
from probe.model.evidence import Evidence, Exchange
from probe.model.finding import Cause, Expectation, Finding
from probe.model.lineup import Lineup
from probe.model.scope import Scope


class Phase(StrEnum):
    """Where a device stands in the run."""

    WAITING = "waiting"
    CONNECTING = "connecting"
    IDENTITY = "identity"
    POLLING = "polling"
    WATCHING = "watching"  # between rounds: freshness or dwell
    DONE = "done"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlan:
    """What the run intends, told before it starts. requests and seconds are estimates for healthy gear."""

    lineup: Lineup
    scope: Scope
    requests: int
    seconds: float
    expectations: tuple[Expectation, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditResult:
    """What a run came to. Times are Unix nanoseconds. why_incomplete: empty when complete.

    clocks: what was said of each clock that was due, in the map's order. network: of a survey, all that
    speaks of the network, with its numbers in the record.
    """

    lineup: Lineup
    scope: Scope
    started_wall_ns: int
    finished_wall_ns: int
    complete: bool
    why_incomplete: str
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]
    requests: int
    clocks: tuple[ClockVerdict, ...] = ()
    network: tuple[tuple[int, Evidence], ...] = ()


class Ledger(Protocol):
    """Where everything is kept as it happens; gives each piece of evidence its number."""

    def keep(self, evidence: Evidence) -> int:
        """Write one piece of evidence; its sequence number. Raises RecordError if it cannot be kept."""
        ...

    def expect(self, expectations: Sequence[Expectation]) -> None:
        """Write what the run must give a verdict on; called once, before anything is asked."""
        ...

    def conclude(self, findings: Sequence[Finding], causes: Sequence[Cause]) -> None:
        """Write the verdicts; called once, at the end, also of an interrupted run."""
        ...

    def flush(self) -> None:
        """Hand all lines so far to the operating system."""
        ...


class Observer(Protocol):
    """Sees a run. All calls come from the event loop's thread and must return at once."""

    def run_started(self, plan: RunPlan) -> None: ...

    def phase(self, tag: str, phase: Phase) -> None: ...

    def exchange(self, exchange: Exchange) -> None: ...

    def judged(self, tag: str, findings: Sequence[Finding], *, final: bool) -> None: ...

    def note(self, text: str) -> None: ...

    def run_finished(self, result: AuditResult) -> None: ...


@runtime_checkable
class ClockObserver(Observer, Protocol):
    """An observer that also wants to see each clock's interval close."""

    def clock(self, state: ClockState) -> None: ...
