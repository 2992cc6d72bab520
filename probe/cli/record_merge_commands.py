"""The commands ``record merge`` and ``record accept``: new records that name old ones, never edits."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from probe.cli.derived import begin, desk_header, undone_if_it_fails
from probe.cli.failure import Exit
from probe.cli.finding_choice import chosen_finding
from probe.cli.invocation import command
from probe.model.errors import InputError, Problem
from probe.model.finding import Finding, Verdict
from probe.model.scope import Scope
from probe.present import merge_page, record_machine
from probe.present.console import console, emit_json, say
from probe.present.page import page_width, print_rows
from probe.present.signs import signs_for
from probe.record import joining
from probe.record.again import source_of
from probe.record.content import RecordContent, load
from probe.record.header import Relation
from probe.record.history import Acceptance, Stage, acceptance_body
from probe.record.seal import spoken
from probe.wire.system_clock import SystemClock


def merge(files: Sequence[Path], *, record: Path | None, sign: bool, as_json: bool) -> int:
    """Join the records into a new one; the exit code of the joined state. Raises InputError, RecordError."""
    joined = joining.gather(files)
    merged, last = joined.merged, joined.last
    runs = [member for member in joined.members if member.is_run]
    scope = Scope(tags=merged.tags, left_out=merged.left_out, quick=all(m.header.scope.quick for m in runs))
    header = desk_header(
        last,
        joining.sources_of(joined),
        map_texts=last.map_texts,
        profile_texts=last.profile_texts,
        study_texts=last.study_texts,
        sheet_texts=tuple(dict.fromkeys(text for m in runs for text in m.header.sheet_texts)),
        scope=scope,
        operator="; ".join(dict.fromkeys(m.header.operator for m in runs)),
    )
    writer = begin(record, runs[0].path, "merged", header, sign=sign)
    with undone_if_it_fails(writer):
        joining.write(writer, joined)
    content = load(writer.path, with_evidence=False)
    if as_json:
        document = record_machine.record_document(
            content, content.findings, {}, file=str(writer.path), finished_wall_ns=None
        )
        emit_json(document)
    else:
        target = console()
        width, signs = page_width(target), signs_for(target.encoding, os.environ.get("TERM", ""))
        print_rows(target, merge_page.merged(content, str(writer.path), width, signs))
    return _code(content)


def accept(  # noqa: PLR0913 (one an option)
    file: Path, *, finding: str, by: str, reason: str, record: Path | None, sign: bool, as_json: bool
) -> int:
    """Record that somebody accepts a finding as it is; 0. Raises InputError, RecordError."""
    content = load(file, with_evidence=False)
    found = chosen_finding(content.findings, file, finding)
    if problems := _unfit(content, file, found, by=by, reason=reason):
        raise InputError(problems)
    about = Scope(tags=(found.subject,))
    accepts = [source_of(content, Relation.ACCEPTS, file)]
    header = desk_header(content.header, accepts, scope=about, operator=by)
    writer = begin(record, file, "accepted", header, sign=sign)
    with undone_if_it_fails(writer):
        acceptance = Acceptance(
            finding=found.id,
            code=_run_of(content, found),
            verdict=found.verdict,
            title=found.title,
            observed=found.observed,
            expected=found.expected,
            by=by,
            reason=reason,
            at_wall_ns=SystemClock().wall_ns(),
            key=writer.key,
        )
        writer.write("acceptance", acceptance_body(acceptance))
        seal = writer.seal(complete=True, reason="")
    if as_json:
        document = {"format": "buswitness-acceptance/1", "record": str(writer.path), "code": seal.code}
        emit_json({**document, **record_machine.acceptance_document(acceptance)})
        return Exit.DONE
    say(f"Accepted by {by}: {found.id} ({found.verdict.value}). It stays what it is, with this beside it.")
    say(f"Record {writer.path}, code {spoken(seal.code)}{'' if seal.public else ', NOT SIGNED'}")
    say(f"Then   {command('record', 'merge', file, writer.path)}")
    return Exit.DONE


def _unfit(content: RecordContent, file: Path, found: Finding, *, by: str, reason: str) -> list[Problem]:
    problems = []
    if content.seal is None:
        what, remedy = "this record is not closed", "accept findings of a closed record; see audit --resume"
        problems.append(Problem(file=str(file), what=what, remedy=remedy))
    elif content.is_merged and not _stages(content, found):
        what, remedy = "no run got this device done", "finish it first, with audit --resume or --retest"
        problems.append(Problem(file=str(file), field="--finding", what=what, found=found.id, remedy=remedy))
    if found.verdict is Verdict.PASS:
        what = "this finding passes; there is nothing to accept"
        problems.append(Problem(file=str(file), field="--finding", what=what, found=found.id))
    problems += [
        Problem(file=name, what="it must say something; it stands in the record for ever")
        for name, text in (("--by", by), ("--reason", reason))
        if not text.strip()
    ]
    return problems


def _run_of(content: RecordContent, found: Finding) -> str:
    """Code of the run that found it: this record's own, or that of a run inside a merged one."""
    if not content.is_merged:
        return content.code
    return content.runs[_stages(content, found)[-1].source - 1].code


def _stages(content: RecordContent, found: Finding) -> list[Stage]:
    """What runs inside a merged record said of the finding itself; of a pass there is no history."""
    histories = [one for one in content.histories if one.finding == found.id]
    return [stage for one in histories for stage in one.stages if not stage.gone]


def _code(content: RecordContent) -> Exit:
    if any(finding.verdict is Verdict.FAIL for finding in content.findings):
        return Exit.FINDINGS_FAIL
    return Exit.DONE if content.seal is not None and content.seal.complete else Exit.INCOMPLETE
