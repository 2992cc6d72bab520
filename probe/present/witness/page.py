"""What a witness run came to, for people: each step with its verdict, what is wrong in full, who said so."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.witness.checks import change_words
from probe.judge.witness.outcome import StepOutcome
from probe.judge.witness.plan import Item
from probe.judge.witness.watch import Watch
from probe.model.finding import WORST_FIRST, Verdict
from probe.present.page import paragraph
from probe.present.row import Piece, Row
from probe.present.signs import Signs


def page(watch: Watch, width: int, signs: Signs) -> list[Row]:
    """All steps in order; of those that passed one row each."""
    rows: list[Row] = []
    counts = dict.fromkeys(WORST_FIRST, 0)
    about = None
    for item in watch.plan.items:
        outcome = watch.outcomes.get(item.key)
        verdict = Verdict.NOT_TESTED if outcome is None else outcome.verdict
        counts[verdict] += 1
        if (item.procedure.name, item.about) != about:
            about = (item.procedure.name, item.about)
            name = " ".join(filter(None, (item.about, item.procedure.title)))
            rows += [Row(), *paragraph(name, width, style="bold")]
        rows += _step(watch, item, outcome, verdict, width, signs)
    told = ", ".join(f"{many} {verdict.value}" for verdict, many in counts.items() if many)
    return [*rows, Row(), *paragraph(f"{len(watch.plan.items)} steps: {told}.", width, style="bold")]


def _step(
    watch: Watch, item: Item, outcome: StepOutcome | None, verdict: Verdict, width: int, signs: Signs
) -> list[Row]:
    lamp = signs.verdicts[verdict]
    lead = [Piece(f" {lamp.sign} ", lamp.glow), Piece(" ")]
    by = f", {outcome.run.by}" if outcome is not None and outcome.run.by else ""
    again = f", time {outcome.run.round}" if outcome is not None and outcome.run.round > 1 else ""
    title = watch.plan.text(item, item.step.title)
    rows = paragraph(f"{title}: {lamp.word}{again}{by}", width, lead=lead)
    for text in details(outcome):
        rows += paragraph(text, width, indent=6)
    return rows


def details(outcome: StepOutcome | None) -> Iterator[str]:
    """What is to be said of a step, in sentences; of what passed only when it was seen."""
    if outcome is None:
        yield "nobody came to it"
        return
    if outcome.untested:
        yield outcome.untested
    for one in () if outcome.untested else outcome.outcomes:
        word = "" if one.verdict is Verdict.PASS else f"{one.kind.value}: "
        timing = f", {one.timing}" if one.timing else ""
        if one.verdict is not Verdict.PASS or one.timing:
            wanted = "" if one.verdict is Verdict.PASS else f" (expected: {one.expected})"
            yield f"{one.title}: {word}{one.observed}{timing}{wanted}"
    for change in outcome.elsewhere:
        yield f"something else changed: {change_words(change)}"
    for change in outcome.beside:
        yield f"also seen: {change_words(change)}"
    for said in () if outcome.untested else outcome.said:
        if said.verdict is not Verdict.PASS or said.confirm.kind in ("text", "time"):
            yield f"{said.ask} {said.said or 'no answer'}" + (f" ({said.why})" if said.why else "")
    if outcome.logged is not None and not outcome.untested:
        logged = outcome.logged
        yield "its own log: " + ", ".join(filter(None, (logged.title, logged.observed, logged.report_s)))
    if outcome.unwatched:
        yield f"not asked again after the act: {', '.join(outcome.unwatched[:8])}"
    for caution in outcome.missing_cautions:
        yield f"a caution was not acknowledged before the act: {caution}"
    for remark in outcome.run.remarks:
        yield f"remark: {remark}"
