"""What a check is: a registration and a pure function from evidence to findings."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from probe.model.device_map import Device
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.profile import Profile
from probe.model.scope import Scope

if TYPE_CHECKING:
    from probe.judge.context import DeviceContext
    from probe.judge.lineup_context import LineupContext


_PASS = Verdict.PASS


class Need(StrEnum):
    """What must be there, and hold, before a check can say anything.

    IDENTITY, PROOF and FRESHNESS are the rules of order: a device that may be another one, or whose proof
    point does not fit, has no values worth judging; a value that may be frozen or cached cannot pass.
    """

    ATTEMPTS = "at least one attempt to reach the device"
    REPLIES = "at least one accepted reply"
    IDENTITY = "identity not contradicted"
    PROOF = "proof point fits, where the profile has one"
    FRESHNESS = "values proven to move (otherwise a pass becomes a review)"
    ROUNDS = "two readings some time apart"
    REFERENCE = "a usable reference clock and no step of this computer's clock"
    NEIGHBOURS = "the neighbour table of this computer"
    PEOPLE = "answers of the people who act"
    ABSENT_UNITS = "questions to units that the map does not hold"
    CABLING = "cabling drawn in the map"
    ANSWERS = "answers of people at the gear"
    SNMP = "answers of the device by SNMP"
    LINK_LOSS = "a link pulled and put back while all devices were asked fast"
    CAPTURE = "a capture of the traffic"


#: What nearly every check on values needs.
VALUES = (Need.REPLIES, Need.IDENTITY, Need.PROOF, Need.FRESHNESS)
#: The same for values that are alive by themselves, or that may well stand still.
STANDING_VALUES = (Need.REPLIES, Need.IDENTITY, Need.PROOF)


class Subject(NamedTuple):
    """One device in its lineup: what decides whether a check applies to it."""

    lineup: Lineup
    device: Device
    profile: Profile
    scope: Scope


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """Registration of one check.

    id: for ever; retired ids are kept as aliases. needs: see Need. why: what happens to people or plant if
    it is ignored. source: the rule's document, or "common practice, no source". danger: 0..9, of a failure.
    where: to which devices it applies, in words, for the manual. levels: findings may carry a higher
    danger when a case is worse than the usual one; the check says so itself.
    """

    id: str
    title: str
    needs: tuple[Need, ...]
    why: str
    source: str
    since: str
    danger: int
    where: str

    def find(  # noqa: PLR0913 - the fields of a finding
        self,
        subject: str,
        verdict: Verdict,
        title: str,
        *,
        observed: str = "",
        expected: str = "",
        unit: str = "",
        uncertainty: str = "",
        evidence: tuple[int, ...] = (),
        advice: str = "",
        point: str = "",
        danger: int | None = None,
    ) -> Finding:
        """A finding of this check; danger: where a case is worse or better than the usual one."""
        weight = 0 if verdict is _PASS else (self.danger if danger is None else danger)
        # As Finding(...), which passes through a Python function and takes twice the time.
        return tuple.__new__(
            Finding,
            (
                self.id,
                subject,
                verdict,
                title,
                observed,
                expected,
                unit,
                uncertainty,
                self.source,
                evidence,
                advice,
                point,
                None,
                weight,
            ),
        )

    def untested(self, subject: str, reason: str, *, point: str = "", advice: str = "") -> Finding:
        """The finding that says why there is no verdict."""
        title = f"{self.title}: not tested, {reason}"
        return Finding(
            check=self.id,
            subject=subject,
            verdict=Verdict.NOT_TESTED,
            title=title,
            rule=self.source,
            point=point,
            advice=advice,
            danger=self.danger,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceCheck(Check):
    """A check on one device. run yields nothing where there is no evidence; then it is not tested.

    applies: whether the run must give a verdict on this device. required: whether a missing verdict makes
    the run incomplete (for a device that the map requires). unasked: findings are given also where no
    verdict was due, when the evidence shows something.
    """

    run: Callable[[DeviceCheck, DeviceContext], Iterable[Finding]]
    applies: Callable[[Subject], bool] = lambda subject: True
    required: Callable[[Subject], bool] = lambda subject: True
    unasked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LineupCheck(Check):
    """A check across devices or on the run itself; its subject is ``lineup`` or a gateway's tag.

    of_all: its pass speaks for all devices, so that there is none while some were not done.
    """

    run: Callable[[LineupCheck, LineupContext], Iterable[Finding]]
    subjects: Callable[[Lineup, Scope], Iterable[str]] = lambda lineup, scope: ("lineup",)
    required: bool = True
    of_all: bool = False
