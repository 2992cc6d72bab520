"""The verdicts of a whole run: complete against the list of what was expected, in order, with causes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter, itemgetter

from probe.judge.causes import causes_of
from probe.judge.check import LineupCheck
from probe.judge.checks.clock import CHECK as CLOCK
from probe.judge.checks.clock import WITHOUT_OUR_CLOCK
from probe.judge.checks.clock_rate import DRIFT
from probe.judge.clock_state import ClockVerdict
from probe.judge.expectation import agendas_of, expected, lineup_checks_of
from probe.judge.facts import DeviceJudgement
from probe.judge.lineup_context import LineupContext
from probe.judge.registry import get
from probe.judge.wording import count
from probe.model.device_evidence import RunEvidence
from probe.model.finding import Cause, Expectation, Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope

CLOCK_CHECK, DRIFT_CHECK = CLOCK.id, DRIFT.id

#: Check and subject of a finding or an expectation; this and the next one are asked for all of a run.
_place_of: Callable[[Finding | Expectation], tuple[str, str]] = itemgetter(slice(2))
_danger_of: Callable[[Finding], int] = attrgetter("danger")


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """findings: complete and in order. clocks: what was said of each clock that was due, in map order."""

    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]
    expectations: tuple[Expectation, ...]
    clocks: tuple[ClockVerdict, ...] = ()

    @property
    def untested_required(self) -> tuple[Expectation, ...]:
        """What keeps the run from being complete."""
        return untested_required(self.findings, self.expectations)


def conclude(
    lineup: Lineup, scope: Scope, judgements: Mapping[str, DeviceJudgement], run: RunEvidence
) -> Conclusion:
    """All findings in order (devices as in the map, dangerous ones first, lineup last) and their causes.

    An expectation without a finding becomes "not tested": no row is never a pass.
    """
    expectations = expected(lineup, scope)
    context = LineupContext(lineup, scope, judgements, run)
    found = [finding for judgement in judgements.values() for finding in judgement.findings]
    if context.time.step_s:
        found = [_void_if_skew(finding) for finding in found]
    found += _across(context)
    found += _missing(expectations, found, context)
    causes = causes_of(context, found)
    ordered = _ordered(_caused(found, causes), lineup)
    return Conclusion(
        findings=ordered,
        causes=causes,
        expectations=expectations,
        clocks=tuple(_clocks(ordered, judgements)),
    )


def _across(context: LineupContext) -> Iterator[Finding]:
    """What the checks across devices find, of those that the run is for."""
    lineup, scope = context.lineup, context.scope
    agendas = agendas_of(lineup, scope)
    for check in lineup_checks_of(scope):
        if any(agendas.is_due_across(check, name) for name in check.subjects(lineup, scope)):
            yield from (one for one in _said(check, context) if agendas.is_due_across(check, one.subject))


def _said(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    """What a check finds; what would pass for all devices has not been tested while some were not done."""
    found = check.run(check, context)
    if not (check.of_all and context.undone):
        return found
    reason = f"the run ended before {count(context.undone, 'device')} could be seen"
    return [
        check.untested(one.subject, reason, point=one.point) if one.verdict is Verdict.PASS else one
        for one in found
    ]


def untested_required(
    findings: Iterable[Finding], expectations: Iterable[Expectation]
) -> tuple[Expectation, ...]:
    """Required expectations without a verdict: with no finding, or with one that is not tested."""
    found = tuple(findings)
    untested = {_place_of(one) for one in found if one.verdict is Verdict.NOT_TESTED}
    due = tuple(expectations)
    open_ = (set(map(_place_of, due)) - set(map(_place_of, found))) | untested
    return tuple([one for one in due if one.required and _place_of(one) in open_]) if open_ else ()


def _void_if_skew(finding: Finding) -> Finding:
    """A step of this computer's clock may be seen only after a device was judged: its skew is then void.

    So are a drift and a jump: the computer may have slept, and its monotonic time with it.
    """
    timed = finding.check in (CLOCK_CHECK, DRIFT_CHECK) and finding.verdict is not Verdict.NOT_TESTED
    if not timed or finding.title in WITHOUT_OUR_CLOCK:
        return finding
    return get(finding.check).untested(finding.subject, "this computer's clock was stepped during the run")


def _clocks(found: Sequence[Finding], judgements: Mapping[str, DeviceJudgement]) -> Iterable[ClockVerdict]:
    """The finding on each clock with what it rests on."""
    for finding in [one for one in found if one.check == CLOCK_CHECK]:
        judgement = judgements.get(finding.subject)
        told = judgement is not None and finding.verdict is not Verdict.NOT_TESTED
        state = judgement.facts.clock if told and judgement is not None else None
        yield ClockVerdict(tag=finding.subject, verdict=finding.verdict, cause=finding.title, state=state)


def _missing(
    expectations: Sequence[Expectation], found: Sequence[Finding], context: LineupContext
) -> list[Finding]:
    """A "not tested" finding for each expectation that has none.

    That a device has all verdicts of its own is seen at once; usually those across devices alone are left.
    """
    agendas = agendas_of(context.lineup, context.scope)
    met = {tag: agendas.met(tag, judged.findings) for tag, judged in context.judgements.items()}
    none: frozenset[str] = frozenset()
    due = [one for one in expectations if one.check not in met.get(one.subject, none)]
    if not due:
        return []
    seen = {_place_of(one) for one in found if one.check not in met.get(one.subject, none)}
    return [
        get(one.check).untested(one.subject, _reason(one.subject, context))
        for one in due
        if _place_of(one) not in seen
    ]


def _reason(subject: str, context: LineupContext) -> str:
    if subject in context.scope.left_out:
        return "left out by the user"
    if subject in context.map.by_tag and subject not in context.judgements:
        return "the run ended before this device's turn"
    return "nothing was seen that would tell"


def _caused(found: Sequence[Finding], causes: Sequence[Cause]) -> list[Finding]:
    """The findings with the cause that explains each; the first cause in the list wins."""
    cause_of: dict[str, str] = {}
    for cause in causes:
        for name in cause.explains:
            cause_of.setdefault(name, cause.id)
    if not cause_of:
        return list(found)
    good = Verdict.PASS  # needs no cause, and nearly all are
    return [
        f if f.verdict is good or f.id not in cause_of else f._replace(cause=cause_of[f.id]) for f in found
    ]


def _ordered(found: Iterable[Finding], lineup: Lineup) -> tuple[Finding, ...]:
    """Devices in the map's order, the lineup last; within one, the most dangerous first."""
    by_tag: dict[str, list[Finding]] = {device.tag: [] for device in lineup.map.devices}
    others: list[Finding] = []
    for finding in found:
        by_tag.get(finding.subject, others).append(finding)
    ordered: list[Finding] = []
    for some in (*by_tag.values(), others):
        if any(map(_danger_of, some)):  # of nothing but passes none comes first
            some.sort(key=_danger_of, reverse=True)
        ordered += some
    return tuple(ordered)
