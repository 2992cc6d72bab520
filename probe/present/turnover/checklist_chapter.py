"""Checklist: every line that people were asked in the field, its answer, photographs by their hashes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from probe.judge.checklist.answers import LineState, states
from probe.model.checklist import COMMON_PRACTICE, checklists_of
from probe.model.evidence import Note, OperatorAnswer
from probe.model.finding import Finding, Verdict, worst
from probe.model.photograph import photograph_of
from probe.present.checklist_screen import answer_words, tally
from probe.present.turnover.blocks import Block, Column, Heading, Table, Text
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.enclosure import Enclosure
from probe.present.turnover.texts import Texts

#: Lines of a list that are printed one by one; of a longer one those that did not pass.
MOST_LINES = 1_500


def checklist(dossier: Dossier, enclosures: Sequence[Enclosure], t: Texts) -> Iterable[Block]:
    """Each list with all its lines, in its order; then the photographs."""
    answers = dossier.content.evidence.get(OperatorAnswer, ())
    lists = checklists_of(dossier.lineup)
    if not lists:
        return
    verdicts = _verdicts(dossier.content.findings)
    yield Heading(text=t("checklist.heading"), mark="checklist", new_page=True)
    yield Text(text=t("checklist.intro"))
    for _, note in dossier.content.evidence.get(Note, ()):
        if note.topic in ("paper", "resumed"):
            yield Text(text=note.text, manner="small")
    for sheet, made in lists:
        own = states(sheet, made, answers)
        yield Heading(text=made.name, level=2)
        yield Text(text=tally(own))
        rows = list(enumerate(own, 1))
        if len(rows) > MOST_LINES:
            rows = [one for one in rows if verdicts.get(one[1].line.id) is not Verdict.PASS]
            yield Text(text=t("checklist.passed_left_out", many=len(own) - len(rows)), manner="small")
        yield _lines(rows, verdicts, t)
        yield from _photographs(own, enclosures, t)


def _verdicts(findings: Iterable[Finding]) -> Mapping[str, Verdict]:
    """The verdict of each line by its id; photographs and cautions are told apart."""
    found: dict[str, list[Verdict]] = {}
    for one in findings:
        if one.check in ("checklist.seen", "checklist.measured"):
            found.setdefault(one.point, []).append(one.verdict)
    return {line: worst(verdicts) for line, verdicts in found.items()}


def _lines(own: Sequence[tuple[int, LineState]], verdicts: Mapping[str, Verdict], t: Texts) -> Table:
    return Table(
        title=t("checklist.heading"),
        columns=(
            Column(t("column.number"), right=True),
            Column(t("column.verdict")),
            Column(t("checklist.about"), 1.4),
            Column(t("checklist.ask"), 5),
            Column(t("checklist.answer"), 3),
        ),
        rows=tuple(
            (
                str(number),
                verdicts.get(state.line.id, Verdict.NOT_TESTED),
                state.line.about,
                _asked(state),
                _answer(state),
            )
            for number, state in own
        ),
        small=True,
        bare=True,
    )


def _asked(state: LineState) -> str:
    source = state.line.source
    return state.line.ask if source == COMMON_PRACTICE else f"{state.line.ask} ({source})"


def _answer(state: LineState) -> str:
    remarks = "; ".join(one.said for _, one in state.remarks)
    return answer_words(state) + (f"; {remarks}" if remarks else "")


def _photographs(own: Sequence[LineState], enclosures: Sequence[Enclosure], t: Texts) -> Iterable[Block]:
    """Photographs with their hashes, and whether the very bytes are enclosed."""
    photos = [
        (number, state, photograph_of(one))
        for number, state in enumerate(own, 1)
        for _, one in state.photographs
    ]
    if not photos:
        return
    inside = {one.sha256: one.name for one in enclosures}
    yield Heading(text=t("checklist.photographs"), level=2)
    yield Text(text=t("checklist.photographs_intro"))
    yield Table(
        title=t("checklist.photographs"),
        columns=(
            Column(t("column.number"), right=True),
            Column(t("checklist.about"), 1),
            Column(t("checklist.file"), 1.6),
            Column(t("checklist.size"), right=True),
            Column("SHA-256", 4),
            Column(t("checklist.enclosed"), 1.6),
        ),
        rows=tuple(
            (
                str(number),
                state.line.about,
                photo.name,
                str(photo.size),
                " ".join(photo.sha256[n : n + 8] for n in range(0, len(photo.sha256), 8)),
                inside.get(photo.sha256, t("checklist.not_enclosed")),
            )
            for number, state, photo in photos
        ),
        small=True,
    )
