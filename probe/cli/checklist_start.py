"""A run of a field checklist, from its record's first line to its seal; how it is filled stands beside."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from probe.cli import failure
from probe.cli.audit_start import Wishes, default_record_path, header_for
from probe.cli.failure import Exit
from probe.cli.invocation import command
from probe.cli.key_commands import signature_words, signer_of_this_computer
from probe.collect.checklist_run import ChecklistRun, in_our_time
from probe.collect.checklists import made_checklist, open_checklist, open_items
from probe.collect.events import AuditResult
from probe.collect.inputs import open_lineup
from probe.collect.preflight import judge_ways
from probe.model.checklist import Checklist, checklists_of
from probe.model.errors import InputError, Problem
from probe.model.evidence import Anchor, OperatorAnswer
from probe.model.finding import Verdict
from probe.model.lineup import Lineup
from probe.model.scope import Scope
from probe.wire.system_clock import SystemClock

if TYPE_CHECKING:
    from probe.record.content import RecordContent
    from probe.record.header import Source
    from probe.record.writer import RecordWriter

CHECKLIST_RUN_FORMAT = "buswitness-checklist-run/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What was asked of ``checklist fill`` and ``enter``. resume: an older record to go on with."""

    map_file: Path | None
    checklist: Path | None
    resume: Path | None
    record: Path | None
    operator: str
    initials: str
    sign: bool
    as_json: bool
    profile_dirs: Sequence[Path] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A run that may begin. taken: how many answers came over from an older record."""

    lineup: Lineup
    scope: Scope
    checklist: Checklist
    sheet: str
    writer: RecordWriter
    clock: SystemClock
    started_wall_ns: int
    older: RecordContent | None
    as_json: bool


def opened(wanted: Wanted) -> Opened:
    """The lineup, its checklist and a new record. Raises InputError or RecordError, nothing left behind."""
    from probe.judge import expected
    from probe.record.writer import RecordWriter

    lineup, older, source = _lineup(wanted)
    sheet, checklist = checklists_of(lineup)[0]
    scope = Scope(tags=(), sheets=(sheet,))
    signer = signer_of_this_computer(wanted=wanted.sign)
    clock = SystemClock()
    operator = wanted.operator or ("" if older is None else older.header.operator)
    wishes = Wishes(operator=operator, sign=wanted.sign, source=source, as_json=wanted.as_json)
    started = clock.wall_ns()
    header = header_for(lineup, scope, wishes, judge_ways((), ()), started)
    path = wanted.record or default_record_path(f"{lineup.map.lineup}-checklist", started)
    writer = RecordWriter.create(path, header, signer=signer)
    writer.expect(expected(lineup, scope))
    tell(f"{lineup.map.lineup}, {lineup.map.site}: {len(checklist.lines)} lines")
    tell(f"Record   {path}")
    tell(f"Signed   {signature_words(signer, wanted=wanted.sign)}\n")
    return Opened(
        lineup=lineup,
        scope=scope,
        checklist=checklist,
        sheet=sheet,
        writer=writer,
        clock=clock,
        started_wall_ns=started,
        older=older,
        as_json=wanted.as_json,
    )


def tell(text: str = "") -> None:
    """Say something to people; stdout may be a machine's."""
    from probe.present.console import say

    say(text, error=True)


def begun(start: Opened, initials: str) -> ChecklistRun:
    """The run, with the answers of the older record taken over."""
    run = ChecklistRun(start.sheet, start.checklist, start.writer, start.clock, initials=initials)
    if start.older is None:
        return run
    answers = start.older.evidence.get(OperatorAnswer, ())
    anchors = start.older.evidence.get(Anchor, ())
    now = run.evidence.anchors[0][1]
    run.take_over(in_our_time(answers, anchors, now))
    run.note(
        "resumed", f"{len(answers)} answers taken over from the record that ends in {start.older.code[:16]}"
    )
    return run


def _lineup(wanted: Wanted) -> tuple[Lineup, RecordContent | None, Source | None]:
    """The lineup with its checklist, and the older record if one goes on."""
    if wanted.resume is not None:
        return _resumed(wanted, wanted.resume)
    if wanted.map_file is None:
        raise InputError([_no_map()])
    lineup, warnings = open_lineup(wanted.map_file, wanted.profile_dirs)
    failure.warn_problems(warnings)
    if wanted.checklist is None:
        _, text = made_checklist(lineup.map, open_items(None))
    else:
        _, text = open_checklist(wanted.checklist, lineup.map)
    return replace(lineup, sheet_texts=(text,)), None, None


def _resumed(wanted: Wanted, record: Path) -> tuple[Lineup, RecordContent, Source]:
    from probe.record.again import source_of
    from probe.record.content import lineup_of, load
    from probe.record.header import Relation

    if wanted.map_file is not None or wanted.checklist is not None:
        what = "map and checklist are those in the record"
        raise InputError([Problem(file="--resume", what=what, remedy="leave MAP and CHECKLIST out")])
    content = load(record)
    lineup = lineup_of(content.header) if content.header.map_texts else None
    if lineup is None or not checklists_of(lineup):
        what, remedy = "this record is not of a field checklist", "give one that checklist fill or enter made"
        raise InputError([Problem(file=str(record), field="--resume", what=what, remedy=remedy)])
    return lineup, content, source_of(content, Relation.RESUMES, record)


def _no_map() -> Problem:
    return Problem(
        file="MAP",
        what="the device map is missing",
        remedy="give its file; only --resume does without, with map and checklist in the record",
    )


def finish(start: Opened, run: ChecklistRun, stopped: str) -> int:
    """Judge, seal, sum up; the exit code. stopped: why the list was not worked through, empty if it was."""
    from probe.judge import conclude

    run.end()
    conclusion = conclude(start.lineup, start.scope, {}, run.evidence)
    missing = conclusion.untested_required
    reason = stopped or (f"{len(missing)} required verdicts could not be given" if missing else "")
    if stopped:
        run.note("interrupted", stopped)
    start.writer.conclude(conclusion.findings, conclusion.causes)
    seal = start.writer.seal(complete=not reason, reason=reason)
    result = AuditResult(
        lineup=start.lineup,
        scope=start.scope,
        started_wall_ns=start.started_wall_ns,
        finished_wall_ns=run.evidence.anchors[-1][1].wall_ns,
        complete=not reason,
        why_incomplete=reason,
        findings=conclusion.findings,
        causes=conclusion.causes,
        requests=0,
    )
    return _told(start, run, result, seal.code, stopped)


def _told(start: Opened, run: ChecklistRun, result: AuditResult, code: str, stopped: str) -> int:
    from probe.present import machine
    from probe.present.checklist_page import closing
    from probe.present.console import emit_json

    exit_code = _exit(result, stopped)
    path = str(start.writer.path)
    again = command("checklist", "fill", "--resume", path)
    nexts = [
        *([] if result.complete else [again]),
        command("record", "show", path),
        command("report", path),
    ]
    for line in closing(result, run.states, path, code, nexts):
        tell(line)
    if start.as_json:
        document = machine.audit_document(result, record=path, code=code, exit_code=exit_code)
        emit_json({**document, "format": CHECKLIST_RUN_FORMAT, "lines": machine_lines(run)})
    return exit_code


def machine_lines(run: ChecklistRun) -> list[dict[str, object]]:
    """Each line of the list with what stands of its answer, for ``--json``."""
    from probe.model.photograph import photograph_of

    return [
        {
            "number": number,
            "id": state.line.id,
            "about": state.line.about,
            "ask": state.line.ask,
            "said": state.said or None,
            "left_out": state.skipped or None,
            "initials": state.answer[1].initials if state.answer else None,
            "remark": state.answer[1].remark if state.answer else None,
            "photographs": [photograph_of(one)._asdict() for _, one in state.photographs],
        }
        for number, state in enumerate(run.states, 1)
    ]


def _exit(result: AuditResult, stopped: str) -> Exit:
    if stopped:
        return Exit.INCOMPLETE
    if any(finding.verdict is Verdict.FAIL for finding in result.findings):
        return Exit.FINDINGS_FAIL
    return Exit.DONE if result.complete else Exit.INCOMPLETE


def stderr_is_terminal() -> bool:
    """True where people can see a screen: it is drawn on stderr, so that stdout stays a machine's."""
    from probe.present.console import is_live

    return is_live(sys.stderr)
