"""Witness: each step in which somebody acted: what was expected, what was seen and when, who said what."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from probe.judge.witness.outcome import StepOutcome
from probe.judge.witness.plan import Item, WitnessPlan
from probe.judge.witness.watch import Watch
from probe.model.evidence import Anchor, Connect, Exchange, OperatorAnswer
from probe.model.finding import Verdict
from probe.model.procedure import Procedure
from probe.present.turnover.blocks import Block, Cell, Column, Heading, Table, Text
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.texts import Texts
from probe.present.witness.page import details


def witness(dossier: Dossier, t: Texts) -> Iterable[Block]:
    """Each procedure with all its steps in order; nothing where nobody acted."""
    scope = dossier.content.header.scope
    if not scope.sheets or not scope.tags:
        return
    plan = WitnessPlan(dossier.lineup, scope)
    if not plan.items:
        return
    watch = Watch(plan)
    evidence = dossier.content.evidence
    kinds = (Anchor, OperatorAnswer, Exchange, Connect)
    watch.take_all(item for kind in kinds for item in evidence.get(kind, ()))
    yield Heading(text=t("witness.heading"), mark="witness", new_page=True)
    yield Text(text=t("witness.intro"))
    for procedure in plan.procedures:
        yield from _procedure(watch, procedure, t)


def _procedure(watch: Watch, procedure: Procedure, t: Texts) -> Iterator[Block]:
    items = [item for item in watch.plan.items if item.procedure.name == procedure.name]
    outcomes = [(item, watch.outcomes.get(item.key)) for item in items]
    passed = sum(one is not None and one.verdict is Verdict.PASS for _, one in outcomes)
    tally = t("witness.tally", passed=passed, all=len(items))
    yield Heading(text=procedure.title, level=2, side=tally)
    yield Text(text=f"{procedure.purpose} ({procedure.source})", manner="small")
    yield Table(
        title=procedure.title,
        columns=(
            Column(t("column.number"), right=True),
            Column(t("column.verdict")),
            Column(t("witness.step"), 2),
            Column(t("witness.seen"), 5),
            Column(t("witness.by")),
        ),
        rows=tuple(_row(watch, number, item, outcome) for number, (item, outcome) in enumerate(outcomes, 1)),
        small=True,
        bare=True,
    )


def _row(watch: Watch, number: int, item: Item, outcome: StepOutcome | None) -> tuple[Cell, ...]:
    verdict = Verdict.NOT_TESTED if outcome is None else outcome.verdict
    by = "" if outcome is None else outcome.run.by
    again = "" if outcome is None or outcome.run.round < 2 else f" ×{outcome.run.round}"
    title = watch.plan.text(item, item.step.title)
    return (str(number), verdict, f"{title}{again}", "; ".join(details(outcome)), by)
