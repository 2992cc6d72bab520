"""What one device's judgement hands to the conclusion of the lineup: findings, and facts for comparisons.

Facts are small on purpose: a run of thousands of devices holds them all until the end.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

from probe.judge.clock_state import ClockState
from probe.judge.electrical.snapshot import Snapshot
from probe.judge.settings.found import AsFound
from probe.model.finding import Finding

if TYPE_CHECKING:
    from probe.judge.diagnosis.sighting import Sighting


class Reach(StrEnum):
    """How far a device could be reached: what a naive tool merges into "offline"."""

    ANSWERS = "answers"
    EXCEPTIONS_ONLY = "answers with exceptions only"
    MALFORMED_ONLY = "answers with malformed replies only"
    NO_TARGET = "gateway: target silent"  # exception 0x0B
    NO_PATH = "gateway: path unavailable"  # exception 0x0A
    SILENT = "connected but silent"
    CLOSES = "closes the connection"
    REFUSED = "connection refused"
    NO_CONNECT = "no answer to the connection"
    NO_ROUTE = "no route"
    NO_NAME = "name unknown"
    FAILED = "connection failed"
    NO_PORT = "serial port of this computer missing"
    NOT_PERMITTED = "not permitted on this computer"
    NOT_TRIED = "not tried"

    @property
    def is_alive(self) -> bool:
        """True when the device itself said something."""
        return self in (Reach.ANSWERS, Reach.EXCEPTIONS_ONLY, Reach.MALFORMED_ONLY)

    @property
    def is_ours(self) -> bool:
        """True when this computer, not the gear, kept the test from happening."""
        return self in (Reach.NO_PORT, Reach.NOT_PERMITTED, Reach.NOT_TRIED)


class Pair(NamedTuple):
    """Reply times of one and the same request, early and late in the run, nanoseconds."""

    early_ns: int
    late_ns: int


#: Of a device that did not say who it is.
NOTHING: Mapping[str, str] = MappingProxyType({})


class Facts(NamedTuple):
    """What the lineup's checks and causes need of one device. A NamedTuple for the reason of ``Finding``.

    reach_finding: id of the finding that says so. identity: field to text as read. shift, order: what would
    make the proof point fit ("" or 0: nothing found). clock_hours: whole or part hours by which its clock is
    off in the way of a time zone, else 0. ratio: the one factor by which all its voltages are off, in words.
    answers_for_all: it gives the same for units that the map does not hold, and the map holds others there.
    snapshots: first and last of its electrical ones. stand: of its breaker, open, closed or unknown; a
    device that is no breaker counts as closed. sighting: what the diagnosis keeps of it, None where its
    readings are void or it measures nothing.
    lost, late: requests without an answer, and answers that came after the time-out. clock: what its readings
    say of its clock, None if it was not read. settings: its protective settings, None where they are void
    or its profile does not say where they stand.
    """

    link: str = ""
    gateway: str = ""
    host: str = ""
    reach: Reach = Reach.NOT_TRIED
    interrupted: bool = False
    identity: Mapping[str, str] = NOTHING
    identity_evidence: tuple[int, ...] = ()
    identity_wrong: bool = False
    proof_wrong: bool = False
    shift: int = 0
    order: str = ""
    stale: bool = False
    clock_hours: float = 0.0
    ratio: str = ""
    answers_for_all: bool = False
    lost: int = 0
    late: int = 0
    pairs: tuple[Pair, ...] = ()
    snapshots: tuple[Snapshot, ...] = ()
    stand: str = "unknown"
    sighting: Sighting | None = None
    clock: ClockState | None = None
    settings: AsFound | None = None


class DeviceJudgement(NamedTuple):
    """All verdicts on one tag, and the facts behind comparisons with others."""

    tag: str
    findings: tuple[Finding, ...]
    facts: Facts = Facts()
