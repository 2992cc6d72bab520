"""The command ``record compare``: what changed between two records."""

from __future__ import annotations

from pathlib import Path

from probe.cli.failure import Exit
from probe.model.errors import InputError, Problem
from probe.present import compare_page
from probe.present.console import console, emit_json
from probe.present.page import page_width, print_rows
from probe.record.compare import compare as hold_against
from probe.record.content import RecordContent, load


def compare(before: Path, after: Path, *, as_json: bool) -> int:
    """Print what changed; 0, or 1 if a change should worry. Raises InputError, RecordError."""
    contents = load(before), load(after)
    problems = [
        _holds_no_run(path) for path, one in zip((before, after), contents, strict=True) if not _is_run(one)
    ]
    if problems:
        raise InputError(problems)
    found = hold_against(*contents)
    if as_json:
        emit_json(compare_page.document(found, contents, (str(before), str(after))))
    else:
        target = console()
        rows = compare_page.comparison(found, contents, (str(before), str(after)), page_width(target))
        print_rows(target, rows)
    return Exit.FINDINGS_FAIL if found.is_worse else Exit.DONE


def _is_run(content: RecordContent) -> bool:
    return bool(content.header.map_texts)


def _holds_no_run(path: Path) -> Problem:
    return Problem(
        file=str(path),
        what="this record holds no run that could be compared",
        remedy="give the record of an audit, or a merged one",
    )
