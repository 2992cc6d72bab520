"""The run's own instruments: the reference clock and this computer's clock."""

from __future__ import annotations

from collections.abc import Iterable
from math import isnan

from probe.judge.check import LineupCheck, Need
from probe.judge.limit import exactly, within
from probe.judge.lineup_context import LineupContext
from probe.judge.wording import span
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope

#: The reference itself may stand off from true time by so much of the tolerance; common practice, no source.
SHARE_OF_TOLERANCE = 1.0


def _reference(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    reference = context.time.reference
    if not reference.usable:
        yield check.find(
            "lineup",
            Verdict.FAIL,
            f"The reference clock ({reference.name}) cannot be used",
            observed=reference.reason,
            expected="a clock that says it is right",
            evidence=reference.sequences,
            advice="No clock of the lineup was judged. Bring the reference into order, or name another one "
            "in the "
            "map (clock, reference), and repeat.",
        )
        return
    if not reference.stated:
        yield check.find(
            "lineup",
            Verdict.REVIEW,
            "The laptop is the reference clock, and nothing tells how right it is",
            observed="not known",
            expected="a clock that is kept in step",
            advice="Set the laptop by a time service before the run, or name the gear's reference in the "
            "map.",
        )
        return
    width = reference.offset.half_width
    verdict = within(exactly(width), None, SHARE_OF_TOLERANCE * context.map.clock.tolerance_s)
    yield check.find(
        "lineup",
        Verdict.PASS if verdict is Verdict.PASS else Verdict.REVIEW,
        f"Reference clock ({reference.name}) can be used"
        if verdict is Verdict.PASS
        else f"Reference clock ({reference.name}) is read too coarsely for the tolerance",
        observed=f"this computer is {reference.offset.middle:+.3f} behind it",
        expected="a clock that says it is right",
        unit="s",
        uncertainty=f"{width:.3f}",
        evidence=reference.sequences,
        advice=""
        if verdict is Verdict.PASS
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
