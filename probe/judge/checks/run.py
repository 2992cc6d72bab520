"""The run's own instruments: the reference clock and this computer's clock."""

from __future__ import annotations

from collections.abc import Iterable
from math import isnan

from probe.judge.check import LineupCheck, Need
from probe.judge.limit import exactly, within
from probe.judge.lineup_context import LineupContext
from probe.judge.run_context import Reference
from probe.judge.wording import span
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope


def _reference(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    reference = context.time.reference
    if not reference.usable:
        yield _unusable(check, reference)
    elif not reference.stated:
        yield check.find(
            "lineup",
            Verdict.REVIEW,
            "The laptop is the reference clock, and nothing tells how right it is",
            observed="not known",
            expected="a clock that is kept in step",
            advice="Set the laptop by a time service before the run, or name the gear's reference in the "
            "map.",
        )
    else:
        yield _usable(check, reference, context.map.clock.tolerance_s)


def _unusable(check: LineupCheck, reference: Reference) -> Finding:
    return check.find(
        "lineup",
        Verdict.FAIL,
        f"The reference clock ({reference.name}) cannot be used",
        observed=reference.reason,
        expected="a clock that says it is right",
        evidence=reference.sequences,
        advice="No clock of the lineup was judged. Bring the reference into order, or name another one in "
        "the "
        "map (clock, reference), and repeat.",
    )


def _usable(check: LineupCheck, reference: Reference, tolerance_s: float) -> Finding:
    """The reference against the tolerance: one read more coarsely than that cannot tell right from wrong."""
    width = reference.offset.half_width
    right = within(exactly(width), None, tolerance_s) is Verdict.PASS
    middle = reference.offset.middle
    return check.find(
        "lineup",
        Verdict.PASS if right else Verdict.REVIEW,
        f"Reference clock ({reference.name}) can be used"
        if right
        else f"Reference clock ({reference.name}) is read too coarsely for the tolerance",
        observed=f"{middle:+.3f} against this computer",
        expected="a clock that says it is right",
        unit="s",
        uncertainty=f"{width:.3f}",
        evidence=reference.sequences,
        advice=""
        if right
        else "Name a reference that can be read more finely, or set a wider tolerance in the map.",
    )


def _instrument(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    if len(context.run.anchors) < 2:
        return
    step = context.time.step_s
    if not step:
        yield check.find("lineup", Verdict.PASS, "This computer's clock was not stepped during the run")
        return
    size = "" if isnan(step) else f"{'forward' if step > 0 else 'back'} by {span(step)}"
    yield check.find(
        "lineup",
        Verdict.REVIEW,
        "This computer's clock was stepped during the run",
        observed=size or "see the note in the record",
        expected="no step",
        evidence=context.time.step_sequences,
        advice="Skews of this run are void; all other times are monotonic and not touched. Repeat the run "
        "for the "
        "clocks.",
    )


def _has_clocks(lineup: Lineup, scope: Scope) -> tuple[str, ...]:
    by_tag = lineup.map.by_tag
    clocks = any(lineup.profile_of(by_tag[tag]).clock is not None for tag in scope.tags)
    return ("lineup",) if clocks and not scope.quick else ()


REFERENCE = LineupCheck(
    id="run.reference",
    title="The reference clock can be used",
    needs=(Need.REFERENCE,),
    why="A false reference makes right clocks look wrong and wrong ones right.",
    source="RFC 5905 (leap indicator, stratum, root distance, as the wire reports them)",
    since="0.1",
    danger=4,
    where="lineups with clocks; not with --quick",
    run=_reference,
    subjects=_has_clocks,
)
INSTRUMENT = LineupCheck(
    id="run.clock_step",
    title="This computer's clock was not stepped",
    needs=(Need.REFERENCE,),
    why="A step in the run shifts every skew by as much.",
    source="common practice, no source",
    since="0.1",
    danger=2,
    where="every run",
    run=_instrument,
    required=False,
)
