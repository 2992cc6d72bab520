"""The verdicts of witnessed steps: what was seen, what moved elsewhere, what people said, devices' logs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from probe.judge.check import LineupCheck, Need
from probe.judge.lineup_context import LineupContext
from probe.judge.witness.outcome import WRONG_PLACE_DANGER, Kind, StepOutcome
from probe.judge.witness.plan import LINEUP, Item, WitnessPlan
from probe.judge.witness.track import Change
from probe.judge.witness.watch import Watch
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope

_NEEDS = (Need.ANSWERS, Need.REPLIES)
_MEMORY = "witness"
_plans: list[WitnessPlan] = []


def plan_of(lineup: Lineup, scope: Scope) -> WitnessPlan:
    """The witness plan of a run; that of the last one is kept, since every check asks for it."""
    known = _plans[0] if _plans else None
    if known is None or known.lineup is not lineup or known.scope != scope:
        known = WitnessPlan(lineup, scope)
        _plans[:] = [known]
    return known


def watch_of(context: LineupContext) -> Watch:
    """Everything that the run witnessed, worked out once."""
    watch = context.memory.get(_MEMORY)
    if watch is None:
        watch = Watch(plan_of(context.lineup, context.scope))
        run = context.run
        watch.take_all((*run.anchors, *run.answers, *run.witnessed))
        context.memory[_MEMORY] = watch
    assert isinstance(watch, Watch)
    return watch


def outcomes_of(context: LineupContext) -> Iterator[tuple[Item, StepOutcome | None]]:
    """Each step in the order of the plan, with what it came to; None for one that was not done."""
    watch = watch_of(context)
    for item in watch.plan.items:
        yield item, watch.outcomes.get(item.key)


def title_of(context: LineupContext, item: Item) -> str:
    """The step's title with its braces filled."""
    return watch_of(context).plan.text(item, item.step.title)


# -- what was seen ------------------------------------------------------------------------------------------


def _step(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    for item, outcome in outcomes_of(context):
        if outcome is None or outcome.untested:
            why = "nobody came to it" if outcome is None else outcome.untested
            yield check.untested(item.subject, why, point=item.point)
        elif item.step.expect:
            yield _doubted(context, item, _seen(check, title_of(context, item), item, outcome))


def _seen(check: LineupCheck, title: str, item: Item, outcome: StepOutcome) -> Finding:
    order = sorted(outcome.outcomes, key=lambda one: _SORTED.index(one.verdict))
    worst = order[0]
    wrong = [one for one in order if one.verdict is not Verdict.PASS]
    told = wrong or list(outcome.outcomes)
    elsewhere = any(one.kind is Kind.ELSEWHERE for one in wrong)
    return check.find(
        item.subject,
        outcome.seen,
        f"{title}: {worst.kind.value if wrong else 'as expected'}",
        observed="; ".join(_observed(one.title, one.observed, one.timing, item) for one in told[:6]),
        expected="; ".join(dict.fromkeys(_plain(one.title, one.expected, item) for one in told[:6])),
        evidence=tuple(dict.fromkeys(n for one in told for n in one.evidence))[:40],
        advice=_ADVICE.get(worst.kind, "") if wrong else "",
        point=item.point,
        danger=WRONG_PLACE_DANGER if elsewhere else None,
    )


_SORTED = (Verdict.FAIL, Verdict.NOT_TESTED, Verdict.REVIEW, Verdict.PASS)
_ADVICE = {
    Kind.ELSEWHERE: "Stop. Find out which breaker moved before anything else is operated: either the wrong "
    "one was operated, or two devices have each other's addresses.",
    Kind.NOTHING: "Was the act done, and at this device? If so, the device did not see it or cannot tell it.",
    Kind.WRONG: "Look at the device: it went to another state than the one that was asked for.",
    Kind.LATE: "Repeat the step. If it is late again, look for a slow bus, a long poll cycle or a delay that "
    "somebody set.",
    Kind.TWICE: "Ask who operated twice. If nobody did, look for a bouncing contact or a second master.",
    Kind.EARLY: "It happened before the go. Repeat the step in its order.",
    Kind.NOT_HELD: "It did not stay so. Look for an interlock, a latch that does not hold, or another hand.",
    Kind.ORDER: "The consequence came before its cause: look at where the signal is really taken from.",
    Kind.UNSURE: "Repeat the step: the polls were too far apart to tell.",
    Kind.UNREAD: "Repeat the step when the device answers, or wait longer before it is ended.",
}


def _observed(title: str, observed: str, timing: str, item: Item) -> str:
    return ", ".join(filter(None, (_plain(title, observed, item), timing)))


def _plain(title: str, text: str, item: Item) -> str:
    """Without the tag where it is the finding's own subject."""
    return f"{title.removeprefix(f'{item.about}: ')} {text}"


def _doubted(context: LineupContext, item: Item, finding: Finding) -> Finding:
    """A pass of a device that may be another one is for a person to review."""
    judgement = context.judgements.get(item.subject)
    found = () if judgement is None else judgement.findings
    doubt = next((f for f in found if f.verdict is Verdict.FAIL and f.check.startswith(_ABOUT)), None)
    if doubt is None or finding.verdict is not Verdict.PASS:
        return finding
    return finding._replace(
        verdict=Verdict.REVIEW,
        title=f"{finding.title}, but it may be another device ({doubt.title})",
        advice="First find out which device this is; then repeat the step.",
        danger=2,
    )


_ABOUT = ("identity.", "proof.")


# -- what was not expected ----------------------------------------------------------------------------------


def _elsewhere(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    for item, outcome in outcomes_of(context):
        if outcome is None or (outcome.untested and not outcome.elsewhere):
            yield check.untested(item.subject, "the step was not done", point=item.point)
            continue
        watched = len(watch_of(context).plan.tags)
        if outcome.elsewhere:
            yield check.find(
                item.subject,
                Verdict.FAIL,
                f"{title_of(context, item)}: something else changed meanwhile",
                observed="; ".join(change_words(c) for c in outcome.elsewhere[:6]),
                expected="nothing but what the step is about",
                evidence=_of_changes(outcome.elsewhere),
                advice="Find out why before the next act. Did somebody else operate? Are two swapped?",
                point=item.point,
                danger=WRONG_PLACE_DANGER if _moved(outcome.elsewhere) else None,
            )
        elif outcome.unwatched:
            yield check.find(
                item.subject,
                Verdict.REVIEW,
                f"{title_of(context, item)}: not every device was asked again after the act",
                observed=f"not asked: {', '.join(outcome.unwatched[:8])}",
                advice="Repeat the step and give the polls a moment before it is ended.",
                point=item.point,
                danger=3,
            )
        elif outcome.beside:
            yield check.find(
                item.subject,
                Verdict.REVIEW,
                f"{title_of(context, item)}: the device told more than the step asks for",
                observed="; ".join(change_words(c) for c in outcome.beside[:6]),
                evidence=_of_changes(outcome.beside),
                advice="Look whether it belongs to the act.",
                point=item.point,
                danger=3,
            )
        else:
            title = f"{title_of(context, item)}: nothing else changed"
            said = f"{watched} devices were watched"
            yield check.find(item.subject, Verdict.PASS, title, observed=said, point=item.point)


def _moved(changes: Sequence[Change]) -> bool:
    return any(c.signal.kind == "state" for c in changes)


def _of_changes(changes: Sequence[Change]) -> tuple[int, ...]:
    return tuple(dict.fromkeys(n for change in changes for n in change.evidence))[:40]


def change_words(change: Change) -> str:
    """A change in words."""
    before, after = (f"{v:g}" if isinstance(v, float) else v for v in (change.before, change.after))
    return f"{change.tag} {change.signal.title}: {before} → {after}"


# -- people and logs ----------------------------------------------------------------------------------------


def _confirmed(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    for item, outcome in outcomes_of(context):
        if not item.step.confirm:
            continue
        if outcome is None or outcome.untested:
            yield check.untested(item.subject, "the step was not done", point=item.point)
            continue
        wrong = [one for one in outcome.said if one.verdict is not Verdict.PASS]
        told = wrong or list(outcome.said)
        title = "not as it must be" if outcome.confirmed is Verdict.FAIL else outcome.confirmed.value
        yield check.find(
            item.subject,
            outcome.confirmed,
            f"{title_of(context, item)}: confirmed by {outcome.run.by or 'nobody named'}: {title}",
            observed="; ".join(_said(one.ask, one.said, one.why) for one in told),
            evidence=tuple(outcome.run.sequences[:40]),
            advice="" if not wrong else "Look again with a second person, then repeat the step.",
            point=item.point,
        )


def _said(ask: str, said: str, why: str) -> str:
    return f"{ask} {said or 'no answer'}" + (f" ({why})" if why else "")


def _logged(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    for item, outcome in outcomes_of(context):
        if not item.step.log:
            continue
        logged = None if outcome is None or outcome.untested else outcome.logged
        if logged is None:
            yield check.untested(item.subject, "the step was not done", point=item.point)
        elif logged.verdict is Verdict.NOT_TESTED:
            yield check.untested(item.subject, logged.title, point=item.point)
        else:
            yield check.find(
                item.subject,
                logged.verdict,
                f"{title_of(context, item)}: {logged.title}",
                observed="; ".join(filter(None, (logged.observed, logged.report_s))),
                expected=logged.expected,
                evidence=logged.evidence,
                advice="Compare the device's log by hand, and its clock." if logged.expected else "",
                point=item.point,
            )


def _cautions(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    done = [outcome for _, outcome in outcomes_of(context) if outcome is not None and outcome.run.ready_ns]
    if not done:
        return
    missed = [o for o in done if o.missing_cautions]
    if missed:
        names = [f"{o.item.about} {o.item.step.id}: {', '.join(o.missing_cautions)}" for o in missed[:6]]
        yield check.find(
            LINEUP,
            Verdict.FAIL,
            "Somebody acted before all cautions were acknowledged",
            observed="; ".join(names).strip(),
            evidence=tuple(o.run.sequences[0] for o in missed[:20]),
            advice="Repeat these steps in their order, with their cautions first.",
        )
        return
    title = "All cautions were acknowledged before each act"
    yield check.find(LINEUP, Verdict.PASS, title, observed=f"{len(done)} steps")


# -- registration -------------------------------------------------------------------------------------------


def _subjects(wanted: Callable[[Item], bool]) -> Callable[[Lineup, Scope], Iterable[str]]:
    def subjects(lineup: Lineup, scope: Scope) -> Iterable[str]:
        if not scope.sheets:
            return ()
        items = plan_of(lineup, scope).items
        return tuple(dict.fromkeys(item.subject for item in items if wanted(item)))

    return subjects


_COMMON = "common practice, no source"

STEP = LineupCheck(
    id="witness.step",
    title="Somebody acted, and the device showed it",
    needs=_NEEDS,
    why="A breaker that opens and tells nobody, tells it late, or tells it in another's name misleads "
    "whoever relies on the screen: people work on gear that they believe to be dead.",
    source=_COMMON,
    since="0.5",
    danger=8,
    where="each step of a procedure that expects something to be seen",
    run=_step,
    subjects=_subjects(lambda item: True),
)
ELSEWHERE = LineupCheck(
    id="witness.elsewhere",
    title="Nothing else moved meanwhile",
    needs=_NEEDS,
    why="The wrong breaker moved: two devices have each other's addresses, or somebody stands at the "
    "wrong cubicle. The next command from the master opens the wrong circuit.",
    source=_COMMON,
    since="0.5",
    danger=8,
    where="each step of a procedure",
    run=_elsewhere,
    subjects=_subjects(lambda item: True),
)
CONFIRMED = LineupCheck(
    id="witness.confirmed",
    title="What a person sees at the gear",
    needs=(Need.ANSWERS,),
    why="Lamps, flags and labels are what people go by. Registers say nothing about them.",
    source=_COMMON,
    since="0.5",
    danger=7,
    where="each step of a procedure that asks a person",
    run=_confirmed,
    subjects=_subjects(lambda item: bool(item.step.confirm)),
)
LOG = LineupCheck(
    id="witness.log",
    title="The device's own log and clock beside what was seen",
    needs=_NEEDS,
    why="After a fault the logs of all devices are put in order. A log that misses events, or whose clock is "
    "elsewhere, tells the story wrong.",
    source=_COMMON,
    since="0.5",
    danger=5,
    where="each step of a procedure that compares the log, on a device that has one",
    run=_logged,
    subjects=_subjects(lambda item: bool(item.step.log)),
    required=False,
)
CAUTIONS_READ = LineupCheck(
    id="witness.cautions",
    title="Cautions acknowledged before each act",
    needs=(Need.ANSWERS,),
    why="Acts at energized gear kill where their dangers were not weighed first.",
    source=_COMMON,
    since="0.5",
    danger=9,
    where="every run that witnesses acts",
    run=_cautions,
    subjects=lambda lineup, scope: (LINEUP,) if scope.sheets and plan_of(lineup, scope).items else (),
    required=False,
)
CHECKS = (STEP, ELSEWHERE, CONFIRMED, LOG, CAUTIONS_READ)
