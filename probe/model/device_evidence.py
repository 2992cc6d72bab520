"""What the collector hands to the judge: evidence of one device, and of the run, with record numbers.

The judge needs no order of arrival between devices; within a device the exchanges stand in the order in
which they were made. Each item comes with its sequence number in the record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from probe.model.evidence import (
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
    ReferenceSample,
    Stray,
)
from probe.model.network_evidence import NetworkEvidence

#: Kinds of evidence that a survey judges together.
SURVEYED: frozenset[type] = frozenset((*get_args(NetworkEvidence), Echo, Neighbour, Exchange, Connect))


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceEvidence:
    """All that was seen of one tag. connects and disconnects are those of its link (shared behind a gateway).

    interrupted: the run ended before this device was done; what is missing is "not tested", not "fail".
    """

    tag: str
    exchanges: tuple[tuple[int, Exchange], ...] = ()
    connects: tuple[tuple[int, Connect], ...] = ()
    disconnects: tuple[tuple[int, Disconnect], ...] = ()
    strays: tuple[tuple[int, Stray], ...] = ()
    echoes: tuple[tuple[int, Echo], ...] = ()
    neighbours: tuple[tuple[int, Neighbour], ...] = ()
    decisions: tuple[tuple[int, ClockDecision], ...] = ()
    interrupted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEvidence:
    """What belongs to the run as a whole. reference_exchanges: readings of a reference that is a tag.

    answers: what people said, in the order in which they said it. network: of a survey, all that speaks of
    the network (kinds of ``SURVEYED``), also what belongs to a device, in the order in which it came.
    witnessed: what all devices were seen to do while people acted (empty in a run in which nobody acts).
    """

    anchors: tuple[tuple[int, Anchor], ...] = ()
    notes: tuple[tuple[int, Note], ...] = ()
    references: tuple[tuple[int, ReferenceSample], ...] = ()
    reference_exchanges: tuple[tuple[int, Exchange], ...] = ()
    strays: tuple[tuple[int, Stray], ...] = ()
    answers: tuple[tuple[int, OperatorAnswer], ...] = ()
    network: tuple[tuple[int, Evidence], ...] = ()
    witnessed: tuple[tuple[int, Exchange | Connect], ...] = ()
