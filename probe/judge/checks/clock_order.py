"""Whether the stamps of a lineup can put its events in order, and how far apart they must be."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import LineupCheck, Need
from probe.judge.clock_fleet import Fleet, fleet_of
from probe.judge.limit import exactly, within
from probe.judge.lineup_context import LineupContext
from probe.judge.wording import count, some, span
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope

_SUBJECT = "lineup"


def _run(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    if not _several(context.lineup, context.scope):
        return
    fleet = fleet_of((tag, facts.clock) for tag, facts in context.facts.items() if _has_clock(context, tag))
    worst = fleet.worst
    if worst is None:
        yield check.untested(_SUBJECT, f"fewer than two clocks could be compared{_left_out(fleet)}")
        return
    clock = context.map.clock
    widest_s = max(member.step_s for member in fleet.members)
    limit_s = clock.order_s or 2 * clock.tolerance_s + widest_s
    verdict = within(exactly(worst.raw_s), None, limit_s)
    if verdict is Verdict.FAIL and clock.order_s is None:
        verdict = Verdict.REVIEW  # nobody asked for so much; the clocks that are off fail by themselves
    title = f"Stamps tell the order of events only when more than {span(worst.raw_s)} apart"
    yield check.find(
        _SUBJECT,
        verdict,
        title,
        observed=f"worst pair {worst.first} and {worst.second}: {_s(worst.raw_s)}; half of all pairs: "
        f"{_s(fleet.median_s)}; with the offsets measured here taken off: {_s(worst.corrected_s)} and "
        f"{_s(fleet.corrected_s)}",
        expected=f"at most {_s(limit_s)}"
        + ("" if clock.order_s else " (what clocks within the tolerance can)"),
        advice=_advice(fleet, verdict),
    )


def _advice(fleet: Fleet, verdict: Verdict) -> str:
    rule = "Do not read an order from stamps closer together than that. `clock MAP --json` lists every pair."
    mend = "" if verdict is Verdict.PASS else " Put right the clocks that are off, then measure again."
    return rule + mend + (f" Not compared{_left_out(fleet)}." if fleet.left_out else "")


def _left_out(fleet: Fleet) -> str:
    """Who could not be compared, and why."""
    if not fleet.left_out:
        return ""
    named = [f"{tag} ({why})" for tag, why in fleet.left_out.items()]
    return f": {count(len(named), 'clock')}: {some(named)}" if len(named) > 4 else f": {some(named)}"


def _s(seconds: float) -> str:
    return f"{seconds:.3f} s" if seconds < 10 else f"{seconds:.1f} s"


def _has_clock(context: LineupContext, tag: str) -> bool:
    """True for tags whose clock is due: the reference's is not read as a device's."""
    return _clock_due(context.lineup, tag)


def _clock_due(lineup: Lineup, tag: str) -> bool:
    device = lineup.map.by_tag[tag]
    return lineup.profile_of(device).clock is not None and not lineup.map.clock.is_reference(tag)


def _several(lineup: Lineup, scope: Scope) -> tuple[str, ...]:
    many = sum(_clock_due(lineup, tag) for tag in scope.tags)
    return (_SUBJECT,) if many > 1 and not scope.quick else ()


CHECK = LineupCheck(
    id="clock.order",
    title="Stamps can put events in order",
    needs=(Need.REPLIES,),
    why="After a fault somebody reads from the stamps which breaker went first. Closer together than the "
    "clocks agree, the stamps say nothing, and it does not show.",
    source="common practice, no source",
    since="0.2",
    danger=2,
    where="lineups with two or more clocks; not with --quick",
    run=_run,
    subjects=_several,
    required=False,
    of_all=True,
)
