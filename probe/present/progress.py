"""Progress: what is known of a run while it goes; the observer behind every live face.

``exchange`` stands in the hot path of the audit: it counts and keeps a reference, nothing else. All
sorting and wording happens when a face asks. No clock is read here; faces hand in the time.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from probe.collect.events import AuditResult, Phase, RunPlan
from probe.model.evidence import Exchange, Outcome
from probe.model.finding import WORST_FIRST, Finding, Verdict, worst

_ANSWERS = (Outcome.DATA, Outcome.EXCEPTION)


@dataclass(frozen=True, slots=True)
class Trouble:
    """Findings of one kind on one or several devices, as one line of the list of what is worst.

    more: how many further troubles, none of them worse, are on the very same devices.
    """

    verdict: Verdict
    danger: int
    tags: tuple[str, ...]
    finding: Finding
    more: int = 0


#: What a device's lamp shows: a verdict, or WAITING, or POLLING for any phase at work.
Shown = Verdict | Phase


class Progress:
    """Keeps the state of a run for the faces. Every method returns at once."""

    def __init__(self) -> None:
        self.plan: RunPlan | None = None
        self.result: AuditResult | None = None
        self.sections: dict[str, list[str]] = {}  # tags of the run by section, in the map's order
        self.phases: dict[str, Phase] = {}
        self.shown: dict[str, Shown] = {}
        self.counts: Counter[Shown] = Counter()  # devices by what their lamp shows
        self.latest: dict[str, Exchange] = {}
        self.requests = 0
        self.done = 0
        self.findings: dict[str, tuple[Finding, ...]] = {}
        self.final: set[str] = set()
        self.notes: list[str] = []
        self._troubles: tuple[Trouble, ...] | None = ()

    def run_started(self, plan: RunPlan) -> None:
        """Remember the plan; every device of the scope is waiting."""
        self.plan = plan
        by_tag = plan.lineup.map.by_tag
        for tag in plan.scope.tags:
            self.sections.setdefault(by_tag[tag].section, []).append(tag)
            self.phases[tag] = Phase.WAITING
            self._refresh(tag)

    def phase(self, tag: str, phase: Phase) -> None:
        """Remember where the device stands; a reference clock outside the scope is none of the run's."""
        if tag not in self.phases:
            return
        before, self.phases[tag] = self.phases[tag], phase
        self.done += (phase is Phase.DONE) - (before is Phase.DONE)
        self._refresh(tag)

    def exchange(self, exchange: Exchange) -> None:
        """Count the exchange and keep it as the device's latest."""
        self.requests += 1
        self.latest[exchange.tag] = exchange

    def judged(self, tag: str, findings: Sequence[Finding], *, final: bool) -> None:
        """Remember what was said of a device, or of the lineup as a whole, so far."""
        self.findings[tag] = tuple(findings)
        self._troubles = None
        if final:
            self.final.add(tag)
        if tag in self.phases:
            self._refresh(tag)

    def note(self, text: str) -> None:
        """Remember something about the run itself."""
        self.notes.append(text)

    def run_finished(self, result: AuditResult) -> None:
        """Remember the result."""
        self.result = result

    def _refresh(self, tag: str) -> None:
        """Bring the device's lamp up to date, and the counts with it."""
        before, now = self.shown.get(tag), self._showing(tag)
        if before is now:
            return
        if before is not None:
            self.counts[before] -= 1
        self.counts[now] += 1
        self.shown[tag] = now

    def _showing(self, tag: str) -> Shown:
        """The verdict once the device is done; before that only what is already bad, or its phase."""
        found = {finding.verdict for finding in self.findings.get(tag, ())}
        phase = self.phases[tag]
        if phase is Phase.DONE or tag in self.final:
            return worst(found)
        for verdict in (Verdict.FAIL, Verdict.REVIEW):
            if verdict in found:
                return verdict
        return Phase.WAITING if phase is Phase.WAITING else Phase.POLLING

    def reply_ms(self, tag: str) -> float | None:
        """Reply time of the latest exchange in milliseconds, None without a proper answer to it."""
        exchange = self.latest.get(tag)
        if exchange is None or exchange.outcome not in _ANSWERS:
            return None
        return exchange.reply_ns / 1e6

    def fraction(self) -> float:
        """How far the run is, 0 to 1: by requests planned, never whole before every device is done."""
        total = len(self.phases)
        if not total or self.plan is None:
            return 0.0
        if self.done == total:
            return 1.0
        by_requests = self.requests / max(self.plan.requests, 1)
        return min(max(by_requests, self.done / total), 0.99)

    def left_s(self, elapsed_s: float) -> float | None:
        """Seconds left by the plan, None once the run takes longer than planned."""
        if self.plan is None:
            return None
        left = self.plan.seconds - elapsed_s
        return left if left > 0 else None

    def unfinished(self) -> tuple[str, ...]:
        """Tags that have begun and are not done."""
        resting = (Phase.WAITING, Phase.DONE)
        return tuple(tag for tag, phase in self.phases.items() if phase not in resting)

    def troubles(self) -> tuple[Trouble, ...]:
        """What failed or needs review so far, worst first, like things on one line."""
        if self._troubles is None:
            self._troubles = self._sorted_troubles()
        return self._troubles

    def _sorted_troubles(self) -> tuple[Trouble, ...]:
        groups: dict[tuple[Verdict, str, str, str], list[Finding]] = {}
        for findings in self.findings.values():
            for finding in findings:
                if finding.verdict in (Verdict.FAIL, Verdict.REVIEW):
                    key = (finding.verdict, finding.check, finding.title, finding.point)
                    groups.setdefault(key, []).append(finding)
        first: dict[tuple[str, ...], Trouble] = {}
        for trouble in sorted((_trouble(group) for group in groups.values()), key=_badness):
            worse = first.get(trouble.tags)
            first[trouble.tags] = trouble if worse is None else replace(worse, more=worse.more + 1)
        return tuple(first.values())


def _trouble(findings: list[Finding]) -> Trouble:
    worst_one = max(findings, key=lambda finding: finding.danger)
    tags = tuple(dict.fromkeys(finding.subject for finding in findings))
    return Trouble(worst_one.verdict, worst_one.danger, tags, worst_one)


def _badness(trouble: Trouble) -> tuple[int, int, int]:
    return (WORST_FIRST.index(trouble.verdict), -trouble.danger, -len(trouble.tags))
