"""Everything that several passes of one run have seen, in the form in which the judge wants it.

A run that sets clocks measures, writes and measures again; its verdicts rest on all of it. The shelf stands
before the ledger: what is kept there passes through here, with its number.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeVar

from probe.collect.events import Ledger
from probe.model.device_evidence import DeviceEvidence, RunEvidence
from probe.model.evidence import (
    JUDGED,
    Anchor,
    ClockDecision,
    Connect,
    Disconnect,
    Echo,
    Evidence,
    Exchange,
    Neighbour,
    Note,
    OperatorAnswer,
    Purpose,
    ReferenceSample,
    Stray,
)
from probe.model.finding import Cause, Expectation, Finding
from probe.model.lineup import Lineup
from probe.model.scope import Scope

T = TypeVar("T", bound=Evidence)


class EvidenceShelf:
    """Implements ``Ledger`` for a pass: evidence goes on to the record, verdicts wait for the end."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._items: dict[type, list[tuple[int, Any]]] = {}

    def keep(self, evidence: Evidence) -> int:
        """Keep one piece of evidence; its number. Raises RecordError."""
        number = self._ledger.keep(evidence)
        self._items.setdefault(type(evidence), []).append((number, evidence))
        return number

    def adopt(self, number: int, evidence: Evidence) -> None:
        """Take a piece that stands in the record already, under its number."""
        self._items.setdefault(type(evidence), []).append((number, evidence))

    def expect(self, expectations: Sequence[Expectation]) -> None:
        """Nothing: what the whole run must give a verdict on is written by whoever leads it."""

    def conclude(self, findings: Sequence[Finding], causes: Sequence[Cause]) -> None:
        """Nothing: what a pass concludes alone is not the run's verdict."""

    def flush(self) -> None:
        """Hand all lines so far to the operating system."""
        self._ledger.flush()

    def of_device(self, lineup: Lineup, tag: str, *, interrupted: bool) -> DeviceEvidence:
        """All that was seen of one device."""
        link = lineup.map.target(tag).link
        return DeviceEvidence(
            tag=tag,
            exchanges=tuple(
                (number, one)
                for number, one in self.all(Exchange)
                if one.tag == tag and one.purpose is not Purpose.REFERENCE
            ),
            connects=tuple(item for item in self.all(Connect) if item[1].host == link),
            disconnects=tuple(item for item in self.all(Disconnect) if item[1].host == link),
            strays=tuple(item for item in self.all(Stray) if item[1].tag == tag),
            echoes=tuple(item for item in self.all(Echo) if item[1].tag == tag),
            neighbours=tuple(item for item in self.all(Neighbour) if item[1].tag == tag),
            decisions=tuple(item for item in self.all(ClockDecision) if item[1].tag == tag),
            interrupted=interrupted,
        )

    def of_run(self, scope: Scope) -> RunEvidence:
        """What belongs to the run as a whole."""
        return RunEvidence(
            anchors=self.all(Anchor),
            notes=tuple(item for item in self.all(Note) if item[1].topic != JUDGED),
            references=self.all(ReferenceSample),
            reference_exchanges=tuple(
                item for item in self.all(Exchange) if item[1].purpose is Purpose.REFERENCE
            ),
            strays=tuple(item for item in self.all(Stray) if item[1].tag not in scope.tags),
            answers=self.all(OperatorAnswer),
            witnessed=self._witnessed() if scope.sheets else (),
        )

    def _witnessed(self) -> tuple[tuple[int, Any], ...]:
        """What all devices were seen to do while people acted, in order."""
        return tuple(sorted((*self.all(Exchange), *self.all(Connect)), key=lambda item: item[0]))

    def all(self, kind: type[T]) -> tuple[tuple[int, T], ...]:
        """All evidence of one kind, in the order of its numbers."""
        return tuple(self._items.get(kind, ()))
