"""Rejudge: the verdicts that follow from a record, without the wire.

A device is judged in the run at the moment when it is done, on what was known then. Notes in the record
mark those moments (``marks``), so that judging again sees exactly the same evidence. A device without such
a note was not done when the run ended, or was killed: it is judged on all evidence, as interrupted.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

from probe.judge import Conclusion, conclude, judge_device
from probe.model.device_evidence import SURVEYED, DeviceEvidence, RunEvidence
from probe.model.evidence import (
    JUDGED,
    Anchor,
    ClockDecision,
    Connect,
    Disconnect,
    Echo,
    Exchange,
    Neighbour,
    Note,
    OperatorAnswer,
    Purpose,
    ReferenceSample,
    Stray,
)
from probe.model.lineup import Lineup
from probe.record.content import RecordContent

T = TypeVar("T")
Items = tuple[tuple[int, T], ...]
NEVER = 2**62  # a sequence number behind every line


class Evidence:
    """The evidence of a record, sorted by device and cut where each device was judged."""

    def __init__(self, content: RecordContent, lineup: Lineup) -> None:
        self._lineup = lineup
        self.tags = content.header.scope.tags
        notes = content.evidence.get(Note, ())
        self.judged_at = {note.text: number for number, note in notes if note.topic == JUDGED}
        self._exchanges = _by(content.evidence.get(Exchange, ()), "tag")
        self._strays = _by(content.evidence.get(Stray, ()), "tag")
        self._echoes = _by(content.evidence.get(Echo, ()), "tag")
        self._neighbours = _by(content.evidence.get(Neighbour, ()), "tag")
        self._decisions = _by(content.evidence.get(ClockDecision, ()), "tag")
        self._connects = _by(content.evidence.get(Connect, ()), "host")
        self._disconnects = _by(content.evidence.get(Disconnect, ()), "host")
        self._bulk = content.bulk
        self._run = self._whole_run(content)

    def of_device(self, tag: str) -> DeviceEvidence:
        """What was known of the device when it was judged."""
        end = self.judged_at.get(tag, NEVER)
        link = self._lineup.map.target(tag).link
        exchanges, strays = self._exchanges.get(tag, ()), self._strays.get(tag, ())
        if self._bulk is not None and tag in self._bulk:  # what is held beside is later, or of the reference
            exchanges, strays = self._bulk.of(tag)
        exchanges = _before(exchanges, end)
        return DeviceEvidence(
            tag=tag,
            exchanges=tuple(item for item in exchanges if item[1].purpose is not Purpose.REFERENCE),
            connects=_before(self._connects.get(link, ()), end),
            disconnects=_before(self._disconnects.get(link, ()), end),
            strays=_before(strays, end),
            echoes=_before(self._echoes.get(tag, ()), end),
            neighbours=_before(self._neighbours.get(tag, ()), end),
            decisions=_before(self._decisions.get(tag, ()), end),
            interrupted=tag not in self.judged_at,
        )

    def of_run(self, end: int = NEVER) -> RunEvidence:
        """What was known of the run before a line; all of it without one."""
        run = self._run
        if end == NEVER:
            return run
        return RunEvidence(
            anchors=_before(run.anchors, end),
            notes=_before(run.notes, end),
            references=_before(run.references, end),
            reference_exchanges=_before(run.reference_exchanges, end),
            strays=_before(run.strays, end),
            answers=_before(run.answers, end),
            witnessed=_before(run.witnessed, end),
            network=_before(run.network, end),
        )

    def _whole_run(self, content: RecordContent) -> RunEvidence:
        notes: Items[Note] = content.evidence.get(Note, ())
        exchanges: Items[Exchange] = content.evidence.get(Exchange, ())
        strays: Items[Stray] = content.evidence.get(Stray, ())
        return RunEvidence(
            anchors=content.evidence.get(Anchor, ()),
            notes=tuple(item for item in notes if item[1].topic != JUDGED),
            references=content.evidence.get(ReferenceSample, ()),
            reference_exchanges=tuple(item for item in exchanges if item[1].purpose is Purpose.REFERENCE),
            strays=tuple(item for item in strays if self._is_nobodys(*item)),
            answers=content.evidence.get(OperatorAnswer, ()),
            witnessed=_witnessed(content) if content.header.scope.sheets else (),
            network=surveyed(content) if content.header.scope.survey is not None else (),
        )

    def _is_nobodys(self, number: int, stray: Stray) -> bool:
        """Bytes of no device, or of one that had been judged already."""
        return stray.tag not in self.tags or number > self.judged_at.get(stray.tag, NEVER)


def judge_again(content: RecordContent, lineup: Lineup) -> Conclusion:
    """All verdicts that follow from the record's evidence; the same as its run gave with the same version.

    lineup: ``content.lineup_of(content.header)``, or one with corrected profiles.
    """
    if lineup.sheet_texts != content.header.sheet_texts:  # of another map: what people worked through stays
        lineup = replace(lineup, sheet_texts=content.header.sheet_texts)
    evidence = Evidence(content, lineup)
    scope = content.header.scope
    order = sorted(evidence.tags, key=lambda tag: evidence.judged_at.get(tag, NEVER))
    judgements = {
        tag: judge_device(
            lineup, scope, evidence.of_device(tag), evidence.of_run(evidence.judged_at.get(tag, NEVER))
        )
        for tag in order
    }
    return conclude(lineup, scope, judgements, evidence.of_run())


def surveyed(content: RecordContent) -> Items[Any]:
    """All that speaks of the network in a record, in its order (Any: several types of evidence)."""
    found = [item for kind in SURVEYED for item in content.evidence.get(kind, ())]
    return tuple(sorted(found, key=lambda item: item[0]))


def _witnessed(content: RecordContent) -> Items[Any]:
    """What all devices were seen to do while people acted, in the order of the record."""
    kinds = (content.evidence.get(Exchange, ()), content.evidence.get(Connect, ()))
    return tuple(sorted((item for items in kinds for item in items), key=lambda item: item[0]))


def _before(items: Items[T], end: int) -> Items[T]:
    """The items with a lower number; they stand in rising order."""
    return items[: bisect_left(items, end, key=lambda item: item[0])]


def _by(items: Iterable[tuple[int, Any]], name: str) -> Mapping[str, Items[Any]]:
    """Evidence of one type, grouped by a field (Any: the type of evidence asked for)."""
    groups: dict[str, list[tuple[int, Any]]] = {}
    for item in items:
        groups.setdefault(getattr(item[1], name), []).append(item)
    return {key: tuple(group) for key, group in groups.items()}
