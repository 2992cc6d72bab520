"""The command ``record judge``: verdicts derived again, held against what was recorded, kept if asked for."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import probe
from probe.cli import failure
from probe.cli.derived import begin, desk_header, undone_if_it_fails
from probe.cli.failure import Exit
from probe.collect.events import AuditResult
from probe.model.errors import InputError, Problem
from probe.model.evidence import Anchor
from probe.model.finding import Verdict
from probe.model.lineup import Lineup
from probe.present import machine, rejudge_page
from probe.present.console import console, emit_json
from probe.present.page import page_width, print_rows
from probe.present.signs import signs_for
from probe.record.again import source_of
from probe.record.content import RecordContent, lineup_of
from probe.record.header import Relation
from probe.record.large import opened
from probe.record.rederive import Rederived, is_complete, rederive, write
from probe.record.seal import Seal


@dataclass(frozen=True, slots=True, kw_only=True)
class _Written:
    """The new record. path: as it was named."""

    path: Path
    seal: Seal


def judge(
    file: Path,
    *,
    map_file: Path | None,
    profiles: Sequence[Path],
    record: Path | None,
    sign: bool,
    as_json: bool,
) -> int:
    """Judge the record again; the exit code that the audit would give with these verdicts.

    With corrected files, or a name for it, a new record is written. Raises InputError, RecordError.
    """
    with opened(file) as content:
        return _judged(file, content, _Wishes(map_file, tuple(profiles), record, sign, as_json))


class _Wishes(NamedTuple):
    """What ``judge`` was asked for."""

    map_file: Path | None
    profiles: tuple[Path, ...]
    record: Path | None
    sign: bool
    as_json: bool


def _judged(file: Path, content: RecordContent, wishes: _Wishes) -> int:
    """Judge, write what is wanted, tell; the exit code."""
    map_file, profiles, record, sign, as_json = wishes
    if content.is_merged or content.header.map_texts == ():
        raise InputError([_no_run(file)])
    lineup = replace(_lineup(content, map_file, profiles), sheet_texts=content.header.sheet_texts)
    again = rederive(content, lineup, version=probe.__version__)
    written = None
    if map_file is not None or profiles or record is not None:
        written = _write(file, content, again, record, sign=sign)
    result = _result(content, again)
    code = _code(result)
    if as_json:
        emit_json(_document(file, content, again, result, written, code))
        return code
    target = console()
    width, signs = page_width(target), signs_for(target.encoding, os.environ.get("TERM", ""))
    rows = rejudge_page.judged_again(content, again, width, signs, probe.__version__)
    if written is not None:
        rows += rejudge_page.kept(str(written.path), written.seal, width)
    print_rows(target, rows)
    return code


def _lineup(content: RecordContent, map_file: Path | None, profiles: Sequence[Path]) -> Lineup:
    """The lineup to judge by: that of the record, with the corrected files in place of its own."""
    if map_file is None and not profiles:
        return lineup_of(content.header)
    from probe.collect.inputs import open_library, read_text
    from probe.model.map_load import lineup_from_texts, load_lineup
    from probe.model.profile_load import ProfileLibrary

    corrected = tuple(read_text(path) for path in profiles)
    library = ProfileLibrary.of((*corrected, *content.header.profile_texts))
    if map_file is None:
        return lineup_from_texts(content.header.map_texts, library, content.header.study_texts)
    bundled = open_library()
    texts = tuple(bundled.texts_for(bundled.names()))
    library = ProfileLibrary.of((*corrected, *content.header.profile_texts, *texts))
    lineup, warnings = load_lineup(map_file.as_posix(), _read_named(map_file), library)
    failure.warn_problems(warnings)
    missing = [tag for tag in content.header.scope.tags if tag not in lineup.map.by_tag]
    if missing:
        raise InputError([_other_devices(map_file, missing)])
    return lineup


def _read_named(map_file: Path) -> Any:
    """Reads a map and its includes by name (Any: what ``load_lineup`` takes)."""
    from probe.collect.inputs import read_bytes

    return lambda name: read_bytes(map_file if name == map_file.as_posix() else Path(name))


def _write(
    file: Path, content: RecordContent, again: Rederived, record: Path | None, *, sign: bool
) -> _Written:
    lineup = again.lineup
    header = desk_header(
        content.header,
        [source_of(content, Relation.JUDGES, file)],
        map_texts=lineup.map_texts,
        profile_texts=lineup.profile_texts,
        study_texts=lineup.study_texts,
        sheet_texts=lineup.sheet_texts,
        operator=content.header.operator,
    )
    writer = begin(record, file, "judged", header, sign=sign)
    with undone_if_it_fails(writer):
        _, seal = write(writer, content, lineup)
    return _Written(path=writer.path, seal=seal)


def _result(content: RecordContent, again: Rederived) -> AuditResult:
    """The result as the audit would have given it."""
    complete, why = is_complete(content, again.conclusion)
    anchors = content.evidence.get(Anchor, ())
    return AuditResult(
        lineup=again.lineup,
        scope=content.header.scope,
        started_wall_ns=anchors[0][1].wall_ns if anchors else content.header.started_wall_ns,
        finished_wall_ns=anchors[-1][1].wall_ns if anchors else content.header.started_wall_ns,
        complete=complete,
        why_incomplete=why,
        findings=again.conclusion.findings,
        causes=again.conclusion.causes,
        requests=content.exchanges,
    )


def _code(result: AuditResult) -> Exit:
    if any(finding.verdict is Verdict.FAIL for finding in result.findings):
        return Exit.FINDINGS_FAIL
    return Exit.DONE if result.complete else Exit.INCOMPLETE


def _document(
    file: Path,
    content: RecordContent,
    again: Rederived,
    result: AuditResult,
    written: _Written | None,
    code: Exit,
) -> dict[str, Any]:
    """The object of ``audit --json``, and beside it what judging again has to tell."""
    document = machine.audit_document(
        result,
        record=str(file if written is None else written.path),
        code=content.code if written is None else written.seal.code,
        exit_code=code,
    )
    return {
        **document,
        "judged_again": {
            "record": str(file),
            "code": content.code,
            "tool_version": probe.__version__,
            "recorded_by": content.header.tool_version,
            "equal": again.equal,
            "causes_differ": again.causes_differ,
            "differences": [
                {
                    "id": one.id,
                    "before": None if one.before is None else one.before.verdict.value,
                    "after": None if one.after is None else one.after.verdict.value,
                    "fields": list(one.fields),
                    "reason": one.reason.value,
                }
                for one in again.differences
            ],
        },
    }


def _no_run(file: Path) -> Problem:
    return Problem(
        file=str(file),
        what="this record holds no run of its own that could be judged",
        remedy="judge the records that it names; record export --source N takes one out of a merged record",
    )


def _other_devices(map_file: Path, missing: Sequence[str]) -> Problem:
    from probe.model.nearest import listed

    return Problem(
        file=str(map_file),
        field="--map",
        what="devices of the record are not in this map",
        found=listed(missing),
        remedy="evidence is told apart by tag: keep the tags, correct the rest",
    )
