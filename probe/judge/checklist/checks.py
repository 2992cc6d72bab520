"""The checks of a field checklist: every line gets a verdict, what nobody did is not tested."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from probe.judge.check import LineupCheck, Need
from probe.judge.checklist.answers import NO, NOT_APPLICABLE, YES, LineState, states
from probe.judge.checklist.measured import judge_value, value_of
from probe.judge.lineup_context import LineupContext
from probe.model.checklist import BEFORE, COMMON_PRACTICE, ChecklistLine, checklists_of
from probe.model.evidence import AnswerTopic
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.photograph import photograph_of
from probe.model.scope import Scope

_MEMORY = "checklist_states"
_LONGEST = 99
_UNDONE = "Do the line, or leave it out with a reason: checklist fill --resume goes on with it."


def states_of(context: LineupContext) -> tuple[LineState, ...]:
    """The state of every line of every checklist of the run, worked out once."""
    if _MEMORY not in context.memory:
        context.memory[_MEMORY] = tuple(
            state
            for sheet, checklist in checklists_of(context.lineup)
            for state in states(sheet, checklist, context.run.answers)
        )
    made: tuple[LineState, ...] = context.memory[_MEMORY]
    return made


def _short(text: str, most: int = _LONGEST) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _open(check: LineupCheck, state: LineState) -> Finding:
    """The finding on a line that nobody answered, or that was left out with a reason."""
    why = f"left out: {state.skipped}" if state.skipped else "not done"
    return check.untested(state.line.about, why, point=state.line.id, advice=_UNDONE)._replace(
        title=f"{_short(state.line.ask, 60)}: not tested, {_short(why, 120)}",
        rule=state.line.source,
        evidence=state.evidence,
    )


def _seen(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    for state in states_of(context):
        if state.line.measure is not None:
            continue
        if not state.said:
            yield _open(check, state)
            continue
        verdict = {YES: Verdict.PASS, NO: Verdict.FAIL}.get(state.said, Verdict.REVIEW)
        advice = {
            Verdict.PASS: "",
            Verdict.FAIL: "Put it right, then answer the line again in a new run.",
            Verdict.REVIEW: "Somebody who knows the drawings decides whether the line may be left out.",
        }[verdict]
        yield _told(check, state, verdict, state.said, YES, advice)


def _told(
    check: LineupCheck, state: LineState, verdict: Verdict, observed: str, expected: str, advice: str
) -> Finding:
    assert state.answer is not None
    answer = state.answer[1]
    remarks = "; ".join(filter(None, (answer.remark, *(one.said for _, one in state.remarks))))
    by = f" ({answer.initials})" if answer.initials else ""
    found = check.find(
        state.line.about,
        verdict,
        _short(state.line.ask),
        observed=f"{observed}{by}" + (f": {remarks}" if remarks else ""),
        expected=expected,
        point=state.line.id,
        evidence=state.evidence,
        advice=advice,
    )
    return found._replace(rule=state.line.source)


def _measured(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    for state in states_of(context):
        measure = state.line.measure
        if measure is None:
            continue
        if not state.said:
            yield _open(check, state)
            continue
        seen = value_of(measure, state.said)
        if state.said == NOT_APPLICABLE or seen is None:
            advice = "Somebody who knows the drawings decides whether the value may be left out."
            yield _told(check, state, Verdict.REVIEW, state.said, "a measured value", advice)
            continue
        judged = judge_value(measure, state.line.about, seen, context.map)
        advice = "" if judged.verdict is Verdict.PASS else judged.advice
        found = _told(check, state, judged.verdict, f"{seen.value:g}", judged.expected, advice)
        yield found._replace(unit=seen.unit, uncertainty=f"± {seen.plus_minus:g}", rule=judged.rule)


def _photographs(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    """Whether there is one; the same picture at two places is one for somebody to look at."""
    shown = _shown_of(context)
    for state in states_of(context):
        if not state.line.photograph:
            continue
        if not state.photographs:
            yield check.untested(state.line.about, "no photograph is attached", point=state.line.id)
            continue
        named = [photograph_of(one) for _, one in state.photographs]
        twice = sorted({about for one in named for about in shown[one.sha256]} - {state.line.about})
        yield check.find(
            state.line.about,
            Verdict.REVIEW if twice else Verdict.PASS,
            f"The same photograph also stands for {twice[0]}"
            if twice
            else _short(f"Photographed: {state.line.ask}"),
            observed="; ".join(f"{one.name} ({one.sha256[:12]}…, {one.size} bytes)" for one in named),
            expected="a photograph of its own, by its hash",
            point=state.line.id,
            evidence=tuple(number for number, _ in state.photographs),
            advice="Look at the picture: one of the two lines has the wrong file." if twice else "",
        )


def _shown_of(context: LineupContext) -> dict[str, set[str]]:
    """Hash of each photograph to what its lines are about."""
    shown: dict[str, set[str]] = {}
    for state in states_of(context):
        for _, one in state.photographs:
            shown.setdefault(photograph_of(one).sha256, set()).add(state.line.about)
    return shown


def _cautions(check: LineupCheck, context: LineupContext) -> Iterable[Finding]:
    """Whether the cautions were acknowledged before lines were answered; once for the list and each line."""
    for sheet, checklist in checklists_of(context.lineup):
        own = [state for state in states_of(context) if state.sheet == sheet]
        done = [state for state in own if state.said]
        if not done:
            continue
        first = min(state.answer[0] for state in done if state.answer is not None)
        before = [
            number
            for number, answer in context.run.answers
            if answer.sheet == sheet and answer.topic is AnswerTopic.ACKNOWLEDGED and answer.part == BEFORE
        ]
        missing = [] if BEFORE not in checklist.cautions or (before and before[0] < first) else [BEFORE]
        read = _read_at(own)
        missing += [
            f"{name} at {state.line.id}"
            for state in done
            for name in state.line.cautions
            if state.answer is not None
            and not read.get((state.line.about, name), state.answer[0]) < state.answer[0]
        ]
        yield check.find(
            "lineup",
            Verdict.REVIEW if missing else Verdict.PASS,
            "Lines were answered without their caution acknowledged"
            if missing
            else "Cautions were acknowledged before the lines were answered",
            observed=", ".join(missing[:5]) + (f" and {len(missing) - 5} more" if len(missing) > 5 else "")
            if missing
            else f"{len(done)} lines",
            expected="each caution acknowledged first",
            evidence=tuple(before[:1]),
            advice="Ask who did them whether they knew; on paper the acknowledgement is a signature."
            if missing
            else "",
        )


def _read_at(own: Iterable[LineState]) -> dict[tuple[str, str], int]:
    """What a line is about and name of a caution, to the first line of the record that acknowledges it."""
    first: dict[tuple[str, str], int] = {}
    for state in own:
        for name, number in state.acknowledged.items():
            key = (state.line.about, name)
            first[key] = min(number, first.get(key, number))
    return first


def _about(wanted: Callable[[ChecklistLine], bool]) -> Callable[[Lineup, Scope], Iterable[str]]:
    def subjects(lineup: Lineup, scope: Scope) -> Iterable[str]:
        if not scope.sheets:
            return ()
        lines = (line for _, checklist in checklists_of(lineup) for line in checklist.lines)
        return tuple(dict.fromkeys(line.about for line in lines if wanted(line)))

    return subjects


def _whole(lineup: Lineup, scope: Scope) -> Iterable[str]:
    return ("lineup",) if scope.sheets and checklists_of(lineup) else ()


SEEN = LineupCheck(
    id="checklist.seen",
    title="What people looked at in the field is as it should be",
    needs=(Need.ANSWERS,),
    why="What no instrument reads (labels, lamps, wiring, barriers) hurts people and fails plants all the "
    "same; a line that nobody looked at says nothing.",
    source=COMMON_PRACTICE,
    since="0.2",
    danger=4,
    where="each line of a field checklist that asks to look",
    run=_seen,
    subjects=_about(lambda line: line.measure is None),
)

MEASURED = LineupCheck(
    id="checklist.measured",
    title="What people measured fits the desk calculation",
    needs=(Need.ANSWERS, Need.CABLING),
    why="A value that keeps its limit and is yet worse than calculated shows a wrong cable or a bad joint, "
    "before it fails.",
    source=COMMON_PRACTICE,
    since="0.2",
    danger=5,
    where="each line of a field checklist that asks to measure",
    run=_measured,
    subjects=_about(lambda line: line.measure is not None),
)

PHOTOGRAPH = LineupCheck(
    id="checklist.photograph",
    title="Photographs that were wanted are attached",
    needs=(Need.ANSWERS,),
    why="A photograph shows later what nobody wrote down; one that is not tied to the record by its hash may "
    "be of another plant.",
    source=COMMON_PRACTICE,
    since="0.2",
    danger=1,
    where="each line of a field checklist that wants a photograph",
    run=_photographs,
    subjects=_about(lambda line: line.photograph),
    required=False,
)

CAUTIONS = LineupCheck(
    id="checklist.cautions",
    title="Cautions were acknowledged before people acted",
    needs=(Need.ANSWERS,),
    why="Whoever opens a door or touches a terminal without having read what can kill there is in danger.",
    source=COMMON_PRACTICE,
    since="0.2",
    danger=6,
    where="a run of a field checklist",
    run=_cautions,
    subjects=_whole,
    required=False,
)

CHECKS = (SEEN, MEASURED, PHOTOGRAPH, CAUTIONS)
