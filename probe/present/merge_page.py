"""Merge page: the state at hand-over, what is still open, and what became of what failed."""

from __future__ import annotations

from collections.abc import Sequence

from probe.present.page import facts, paragraph
from probe.present.phrase import with_unit
from probe.present.record_page import causes, counts, findings_by_device
from probe.present.row import Piece, Row
from probe.present.signs import Signs
from probe.record.content import RecordContent
from probe.record.header import Relation, rfc3339
from probe.record.history import Acceptance, History, Stage
from probe.record.seal import spoken

#: What a history says at last, in the words of people.
DISPOSITIONS = {"open": "open", "accepted": "accepted, still a finding", "closed": "closed"}


def merged(content: RecordContent, path: str, width: int, signs: Signs) -> list[Row]:
    """The whole page."""
    seal = content.seal
    state = "complete" if seal is not None and seal.complete else "INCOMPLETE"
    why = "" if seal is None or seal.complete else f": {seal.reason}"
    rows = paragraph(f"Hand-over state of {content.header.lineup}, {state}{why}", width, style="bold")
    pairs = [
        ("Record", path),
        ("Code", spoken(content.code)),
        ("", "" if seal is not None and seal.public else "NOT SIGNED"),
        *members(content),
    ]
    rows += [*facts(pairs, width), Row(), *counts(content.findings, width, signs)]
    rows += causes(content.causes, width)
    numbers = {one.id: number for number, one in enumerate(content.findings, 1)}
    rows += findings_by_device(content.findings, width, signs, numbers)
    return rows + histories(content.histories, width, signs)


def members(content: RecordContent) -> list[tuple[str, str]]:
    """The records inside, one pair each."""
    named = [one for one in content.header.sources if one.relation == Relation.MERGES]
    pairs = []
    for number, (source, run) in enumerate(zip(named, content.runs, strict=False), 1):
        by = "" if run.header.operator == "" else f", by {run.header.operator}"
        when = rfc3339(run.header.started_wall_ns)[:19] + "Z"
        pairs.append((f"Inside {number}", f"{source.file}, {when}{by}, code {spoken(source.code)}"))
    return pairs


def histories(items: Sequence[History], width: int, signs: Signs) -> list[Row]:
    """What became of each finding that runs saw differently, or that somebody accepted; the rest counted."""
    several = [one for one in items if len(one.stages) > 1 or one.accepted]
    if not several:
        return []
    told = [one for one in several if one.accepted or len({stage.verdict for stage in one.stages}) > 1]
    rows = [Row(), Row([Piece("History", "bold")])]
    for item in told:
        rows += history(item, width, signs)
    if rest := len(several) - len(told):
        text = f"{rest} findings came out the same in every run that looked at them (--json tells all)."
        rows += paragraph(text, width, indent=2)
    return rows


def history(item: History, width: int, signs: Signs) -> list[Row]:
    """One finding's history: the stages in the order of time, then who accepted it."""
    said = DISPOSITIONS.get(item.disposition, item.disposition)
    rows = paragraph(f"{item.finding}: {said}", width, indent=2, style="bold")
    for stage in item.stages:
        lamp = signs.verdicts[stage.verdict]
        lead = [Piece(f"{lamp.sign} ", lamp.ink), Piece(f"{lamp.word:<11}", lamp.ink)]
        rows += paragraph(_stage_words(stage), width, lead=lead, indent=4)
    for one in item.accepted:
        rows += paragraph(_acceptance_words(one), width, indent=4)
    return rows


def acceptances(items: Sequence[Acceptance], width: int) -> list[Row]:
    """What a record of acceptances says."""
    rows: list[Row] = []
    for one in items:
        rows += [Row(), *paragraph(f"{one.finding} ({one.verdict.value}), {one.title}", width, style="bold")]
        pairs = [
            ("seen", one.observed),
            ("expected", one.expected),
            ("accepted", f"by {one.by} on {rfc3339(one.at_wall_ns)[:19]}Z"),
            ("reason", one.reason),
            ("run", f"record with code {spoken(one.code)}"),
        ]
        rows += facts(pairs, width, indent=2)
    return rows


def _stage_words(stage: Stage) -> str:
    when = rfc3339(stage.at_wall_ns)[:19] + "Z"
    seen = with_unit(stage.observed, "")
    gone = "no longer found; " if stage.gone else ""
    told = f"{gone}{stage.title}" + (f": {seen}" if seen else "")
    return f"{when}, {stage.operator}, record {stage.source}: {told}"


def _acceptance_words(one: Acceptance) -> str:
    return f"accepted by {one.by} on {rfc3339(one.at_wall_ns)[:19]}Z: {one.reason}"
