"""The settings command: protective settings as found against the study, with curves and exports.

Identity and proof point come first, as in an audit; then all groups of settings are read twice. The record
is that of an audit over the same devices whose scope says that it was for settings alone. What is shown
is derived from the record, so that a record given in place of a map shows the same again.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from probe.cli import failure
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.scope import Scope

if TYPE_CHECKING:
    from probe.cli.audit_end import Ended
    from probe.cli.audit_start import Start, Wishes
    from probe.record.content import RecordContent
    from probe.record.settings_view import SettingsView

_RECORDS = (".audit.jsonl", ".audit.jsonl.gz", ".audit.jsonl.zst")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outputs:
    """Files to make beside the page. curves: a folder; as_left: .yaml or .xlsx."""

    curves: Path | None = None
    as_left: Path | None = None


def settings(  # noqa: PLR0913 (one argument an option of the command)
    file: Path,
    *,
    study: Path | None = None,
    only: Sequence[str] = (),
    skip: Sequence[str] = (),
    record: Path | None = None,
    wishes: Wishes,
    outputs: Outputs = Outputs(),
    profile_dirs: Sequence[Path] = (),
) -> int:
    """Compare the settings of the lineup that the map file describes; the exit code, as of an audit.

    file: a map, or a record whose settings are shown again. Raises InputError for a wrong map, study,
    profile, selection or output, before any device is touched; RecordError.
    """
    ensure_free(outputs)
    if file.name.endswith(_RECORDS):
        return _from_record(file, wishes, outputs, alone=not (study or only or skip or record))
    from probe.collect.inputs import open_lineup

    lineup, warnings = open_lineup(file, profile_dirs, study=study)
    failure.warn_problems(warnings)
    return run_settings(
        lineup, settings_scope(lineup, only, skip), wishes, record_path=record, outputs=outputs
    )


def settings_scope(lineup: Lineup, only: Sequence[str], skip: Sequence[str]) -> Scope:
    """The chosen devices that have settings. Raises InputError if the choice is wrong or leaves none."""
    from probe.cli.selection import choose

    tags, left_out = choose(lineup.map, only, skip)
    chosen = tuple(tag for tag in tags if _has_settings(lineup, tag))
    if not chosen:
        raise InputError([_no_settings(lineup)])
    return Scope(
        tags=chosen,
        left_out=tuple(tag for tag in left_out if _has_settings(lineup, tag)),
        settings_only=True,
    )


def run_settings(
    lineup: Lineup,
    scope: Scope,
    wishes: Wishes,
    *,
    record_path: Path | None = None,
    outputs: Outputs = Outputs(),
) -> int:
    """Read, compare and show, from preflight to summary; the exit code. As ``audit_command.run_audit``."""
    from probe.cli.audit_run import conduct
    from probe.cli.audit_start import make_ready
    from probe.cli.hold import holding

    with holding(lineup.map, "settings", practice=wishes.practice):
        start = make_ready(lineup, scope, record_path, wishes)
        ended = conduct(start)
    return _finish(start, ended, outputs)


def _has_settings(lineup: Lineup, tag: str) -> bool:
    study = lineup.studies.get(tag)
    named = study is not None and tag in study.tags
    return named or lineup.profile_of(lineup.map.by_tag[tag]).settings is not None


def _no_settings(lineup: Lineup) -> Problem:
    having = [device.tag for device in lineup.map.devices if _has_settings(lineup, device.tag)]
    return Problem(
        file="map",
        what="none of these devices has protective settings that could be read",
        allowed=", ".join(having[:8]) or "devices whose profile has a `settings:` section",
        remedy="choose others, or say in the profile where the settings stand (docs/profiles.md)",
    )


# -- the end ----------------------------------------------------------------------------------------------


def _finish(start: Start, ended: Ended, outputs: Outputs) -> int:
    """Show the result, write the files; the exit code. A closed pipe does not change the code."""
    from probe.cli.audit_end import exit_code
    from probe.record.content import load
    from probe.record.settings_view import settings_of

    code = exit_code(ended)
    view = None
    if ended.result is not None and not ended.trouble:
        view = settings_of(load(start.path), start.plan.lineup)
    try:
        _show(start, ended, view)
        if start.as_json:
            _emit(start, ended, view, code)
    except BrokenPipeError:
        failure.silence_stdout()
    if view is not None:
        _write(outputs, view, str(start.path))
    return code


def _show(start: Start, ended: Ended, view: SettingsView | None) -> None:
    from probe.cli.audit_end import next_commands
    from probe.present import settings_page, summary
    from probe.present.console import console
    from probe.record.seal import spoken

    people = console(sys.stderr if start.as_json else sys.stdout)
    closing = summary.Closing(
        record=str(start.path),
        code=spoken(ended.code) if ended.code else "",
        trouble=ended.trouble,
        commands=tuple(next_commands(start, ended)),
    )
    if ended.result is None or view is None:
        summary.show_cut_off(people, closing)
    else:
        settings_page.show(people, ended.result, view, closing)


def _emit(start: Start, ended: Ended, view: SettingsView | None, code: int) -> None:
    from probe.present import machine
    from probe.present.console import emit_json
    from probe.present.settings_machine import SETTINGS_FORMAT, settings_document

    path = str(start.path)
    if ended.result is not None and view is not None:
        audit = machine.audit_document(ended.result, record=path, code=ended.code, exit_code=code)
        emit_json(settings_document(audit, view))
        return
    cut: dict[str, Any] = machine.cut_off_document(
        start.plan.lineup, record=path, code=ended.code, trouble=ended.trouble, exit_code=code,
        form=SETTINGS_FORMAT,
    )  # fmt: skip
    emit_json(cut)


# -- from a record ----------------------------------------------------------------------------------------


def _from_record(file: Path, wishes: Wishes, outputs: Outputs, *, alone: bool) -> int:
    """The settings of a record, shown again by the verdicts that follow from it."""
    from probe.present import settings_page
    from probe.present.console import console, emit_json
    from probe.present.settings_machine import settings_document
    from probe.record.content import lineup_of, load
    from probe.record.settings_view import settings_of

    if not alone:
        raise InputError([_only_the_record(file)])
    content = load(file)
    if content.is_merged or not content.header.map_texts:
        raise InputError([_no_run(file)])
    view = settings_of(content, lineup_of(content.header))
    code = _code(view)
    if wishes.as_json:
        emit_json(settings_document(_head(file, content, code), view))
    else:
        settings_page.show_again(console(), view, str(file))
    _write(outputs, view, str(file))
    return code


def _code(view: SettingsView) -> int:
    from probe.cli.failure import Exit
    from probe.model.finding import Verdict

    verdicts = {row.verdict for device in view.devices for row in device.rows}
    if Verdict.FAIL in verdicts or any(one.lost for one in view.coordinations):
        return Exit.FINDINGS_FAIL
    untested = Verdict.NOT_TESTED in verdicts or any(device.why for device in view.devices)
    return Exit.INCOMPLETE if untested else Exit.DONE


def _head(file: Path, content: RecordContent, code: int) -> dict[str, Any]:
    return {
        "site": content.header.site,
        "lineup": content.header.lineup,
        "record": {"path": str(file), "code": content.code},
        "exit_code": int(code),
    }


def _only_the_record(file: Path) -> Problem:
    return Problem(
        file=str(file),
        what="a record holds its own map, study and devices: no other choice goes with it",
        found="--study, --only, --skip or --record",
        remedy="leave them out; to judge by another study use `record judge --map`",
    )


def _no_run(file: Path) -> Problem:
    return Problem(
        file=str(file),
        what="this record holds no run of its own",
        remedy="give the record of an audit or of a settings run",
    )


# -- files ------------------------------------------------------------------------------------------------


def ensure_free(outputs: Outputs) -> None:
    """Raises InputError, before anything is asked, for outputs that could not be made."""
    export = outputs.as_left
    if export is not None and export.suffix.lower() not in (".yaml", ".yml", ".xlsx"):
        what = "the export is written as YAML or as a workbook"
        raise InputError(
            [Problem(file=str(export), what=what, allowed=".yaml or .xlsx", found=export.suffix)]
        )
    if export is not None and export.exists():
        what = "there is a file of this name already"
        raise InputError([Problem(file=str(export), what=what, remedy="give another name")])
    folder = outputs.curves
    if folder is not None and folder.exists() and not folder.is_dir():
        what = "the curves need a folder, and this is a file"
        raise InputError([Problem(file=str(folder), what=what, remedy="name a folder")])


def _write(outputs: Outputs, view: SettingsView, record: str) -> None:
    from probe.cli.new_file import make_new
    from probe.present.console import say

    if outputs.as_left is not None:
        from probe.present.as_left import as_left_bytes

        data = as_left_bytes(view, record, outputs.as_left.suffix.lower())
        make_new(outputs.as_left, lambda file: file.write(data))
        say(f"As-left settings: {outputs.as_left}", error=True)
    if outputs.curves is not None:
        from probe.present.curve_drawing import drawings

        _folder(outputs.curves)
        made = drawings(view)
        for name, text in made.items():
            make_new(outputs.curves / name, lambda file, text=text: file.write(text.encode()))  # type: ignore[misc]
        say(f"Curves: {len(made)} drawings in {outputs.curves}{os.sep}", error=True)


def _folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError([Problem(file=str(path), what=f"the folder cannot be made: {error}")]) from error
