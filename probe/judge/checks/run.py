"""The run's own instruments: the reference clock and this computer's clock."""

from __future__ import annotations

from collections.abc import Iterable
from math import isnan

from probe.judge.check import LineupCheck, Need
from probe.judge.limit import Interval, exactly, within
from probe.judge.lineup_context import LineupContext
from probe.judge.reference import Candidate, Reference, listed_names, plain
from probe.judge.wording import span
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope


def _reference(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    reference = context.time.reference
    unheard = [one.name for one in reference.candidates if not one.told] if context.undone else []
    if unheard and not (reference.usable and reference.stated):
        yield check.untested("lineup", f"the run ended before {listed_names(unheard)} was read")
    elif not reference.usable:
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


def _agreement(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    """The references against each other, before anything is held against them."""
    reference = context.time.reference
    if len(reference.candidates) < 2:
        return
    agree = set(reference.members)
    said = [
        check.untested("lineup", f"the run ended before {plain(one.name)} was read", point=one.name)
        if context.undone and not one.told
        else _one_of_several(check, one, reference)
        for one in reference.candidates
        if one.name not in agree
    ]
    if not said:
        said = [
            check.find(
                "lineup",
                Verdict.PASS,
                f"The reference clocks agree: {reference.name}",
                observed=_apart(reference),
                expected="intervals that overlap",
                unit="s",
                evidence=reference.sequences,
            )
        ]
    yield from said


def _one_of_several(check: LineupCheck, one: Candidate, reference: Reference) -> Finding:
    """A reference that does not stand with the others, or could not be compared with them."""
    name = plain(one.name)
    if not one.usable:
        return check.find(
            "lineup",
            Verdict.REVIEW,
            f"Reference clock {name} cannot be used beside the others",
            observed=one.reason,
            expected="a clock that says it is right",
            evidence=one.sequences,
            point=one.name,
            advice="The run went on with the others. Bring it into order, or take it out of the map.",
        )
    offset = one.at(reference.at_ns)
    if not one.stated:
        return check.find(
            "lineup",
            Verdict.REVIEW,
            f"Nothing tells how right {name} is: it was not compared with the others",
            observed="its system does not tell whether it is synchronised",
            expected="a clock that states its bounds",
            point=one.name,
            advice="The run went on with the others.",
        )
    if not reference.members:
        title = f"References differ and no majority tells which is right: {reference.name}"
        advice = (
            "At least one of them is false. Look which source each follows; name a third reference, or only "
            "the one that is known to be right."
        )
        observed = f"{name} {offset.middle:+.3f} against this computer"
    else:
        apart = Interval(*_difference(offset, reference.offset))
        title = f"Reference clock {name} is false: it stands {span(apart.middle)} from the others"
        advice = (
            f"{reference.name} agree and were used. Find out what {name} follows before anything is set "
            "after it, and before its stamps are believed."
        )
        observed = f"{apart.middle:+.3f} against {reference.name}"
    return check.find(
        "lineup",
        Verdict.FAIL,
        title,
        observed=observed,
        expected="intervals that overlap",
        unit="s",
        uncertainty=f"{offset.half_width:.3f}",
        evidence=one.sequences,
        point=one.name,
        advice=advice,
    )


def _difference(one: Interval, other: Interval) -> tuple[float, float]:
    """Bounds of one - other."""
    return one.low - other.high, one.high - other.low


def _apart(reference: Reference) -> str:
    """How far apart the middles of those that agree stand at most."""
    middles = [one.at(reference.at_ns).middle for one in reference.candidates]
    return f"at most {max(middles) - min(middles):.3f} apart"


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


def _members(reference: Reference) -> list[Candidate]:
    return [one for one in reference.candidates if one.name in reference.members]


def _usable(check: LineupCheck, reference: Reference, tolerance_s: float) -> Finding:
    """The reference against the tolerance: one read more coarsely than that cannot tell right from wrong."""
    width = reference.offset.half_width
    right = within(exactly(width), None, tolerance_s) is Verdict.PASS
    middle = reference.offset.middle
    caveats = [f"{plain(one.name)}: {one.caveat}" for one in _members(reference) if one.caveat]
    if right and caveats:
        return check.find(
            "lineup",
            Verdict.REVIEW,
            f"Reference clock ({reference.name}) was used, with a reservation",
            observed="; ".join(caveats),
            expected="a clock that says it is right",
            evidence=reference.sequences,
            advice="Skews are true against this reference; whether it tells the true time is for you to "
            "know. If only the order of events within the lineup matters, that may be enough.",
        )
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


def _has_several(lineup: Lineup, scope: Scope) -> tuple[str, ...]:
    return _has_clocks(lineup, scope) if len(lineup.map.clock.references) > 1 else ()


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
AGREEMENT = LineupCheck(
    id="run.references_agree",
    title="The reference clocks agree",
    needs=(Need.REFERENCE,),
    why="One false reference among several is found only by holding them against each other.",
    source="RFC 5905, 11.2.1 (selection by intersection of intervals)",
    since="0.2",
    danger=4,
    where="lineups with clocks whose map names more than one reference; not with --quick",
    run=_agreement,
    subjects=_has_several,
    required=False,
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
