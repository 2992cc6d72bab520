"""The commands ``study check`` and ``study import``: studies of settings, checked and made from tables."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from probe.cli.failure import Exit
from probe.cli.invocation import command
from probe.model.errors import InputError, Problem
from probe.model.study import Study
from probe.model.study_table import StudyTable, study_text, understand_table
from probe.present.console import emit_json, say

CHECK_FORMAT = "buswitness-study-check/1"


def check(file: Path, *, map_file: Path | None, as_json: bool) -> int:
    """Check a study, alone or beside its map; 0 if nothing is wrong with it, else 2.

    Raises InputError if it cannot be read as a whole.
    """
    from probe.collect.inputs import open_lineup, read_bytes
    from probe.model.study_load import load_study, misfits

    loaded = load_study(file.as_posix(), read_bytes(file))
    problems: list[Problem] = list(loaded.problems)
    if map_file is not None:
        lineup, _ = open_lineup(map_file)
        problems += misfits(loaded.study, lineup.map)
        problems += _unstudied(
            loaded.study, [d.tag for d in lineup.map.devices if _has_settings(lineup, d.tag)]
        )
    wrong = any(problem.severity == "error" for problem in problems)
    if as_json:
        emit_json(_object(file, loaded.study, problems))
    else:
        _tell(file, loaded.study, problems)
    return Exit.INPUT_WRONG if wrong else Exit.DONE


def _has_settings(lineup: object, tag: str) -> bool:
    from probe.model.lineup import Lineup

    assert isinstance(lineup, Lineup)
    return lineup.profile_of(lineup.map.by_tag[tag]).settings is not None


def _unstudied(study: Study, tags: Sequence[str]) -> list[Problem]:
    missing = [tag for tag in tags if tag not in study.tags]
    if not missing:
        return []
    what = f"the study has no settings for {len(missing)} devices of the map"
    remedy = "they stay not tested: ask the engineers for them"
    return [Problem(file=study.name, what=what, found=", ".join(missing), remedy=remedy, severity="warning")]


def _tell(file: Path, study: Study, problems: Sequence[Problem]) -> None:
    for problem in problems:
        say(str(problem))
    groups = sum(len(device.groups) for device in study.devices.values())
    aside = f", {len(study.refused)} devices set aside" if study.refused else ""
    say(f"{file}: {len(study.devices)} devices with {groups} groups of settings{aside}")
    say(f"    study     {study.title}, {study.reference} revision {study.revision} of {study.date}")
    say(f"    author    {study.author}")
    say(f"    lineup    {study.lineup}, {study.site}")
    say(f"    tolerance pickups {study.pickup_percent:g} %, delays {study.delay_percent:g} %"
        + ("" if study.tolerance_stated else " (common practice: the study states none)"))  # fmt: skip
    say(f"    SHA-256   {study.sha256}")


def _object(file: Path, study: Study, problems: Sequence[Problem]) -> dict[str, object]:
    from probe.present.settings_machine import study_body

    return {
        "format": CHECK_FORMAT,
        "file": str(file),
        "study": study_body(study),
        "devices": sorted(study.devices),
        "set_aside": dict(study.refused),
        "problems": [asdict(problem) for problem in problems],
    }


# -- import -----------------------------------------------------------------------------------------------


def import_table(file: Path, *, output: Path | None, sheet: str | None, as_json: bool) -> int:
    """Make a study file from a table; 0 if it was made (blanks are named), else 2. Raises InputError.

    output: never overwritten; None prints the study on stdout.
    """
    from probe.cli.new_file import make_new
    from probe.collect.spreadsheet import read_sheet
    from probe.model.study_words import heading_of

    table = understand_table(read_sheet(file, sheet, heading_of))
    text, blanks = study_text(table)
    wrong = [*table.problems, *(() if table.problems else _still_wrong(text, output))]
    if wrong:
        return _not_made(table, wrong, as_json=as_json)
    if output is not None:
        make_new(output, lambda target: target.write(text.encode()))
    if as_json:
        emit_json({**_understood(table), "blanks": list(blanks), "output": str(output or ""),
                   "study": "" if output else text})  # fmt: skip
        return Exit.DONE
    if output is None:
        sys.stdout.write(text)
    for line in (*_lines(table), *_next(blanks, output)):
        say(line, error=output is None)
    return Exit.DONE


def _still_wrong(text: str, output: Path | None) -> list[Problem]:
    """What a reader of the made study would refuse, but for blanks that a person fills in."""
    from probe.model.study_load import load_study

    name = output.as_posix() if output else "the study"
    try:
        return list(load_study(name, text.replace(': "?"', ': "2000-01-01"')).problems)
    except InputError as error:
        return list(error.problems)


def _not_made(table: StudyTable, problems: Sequence[Problem], *, as_json: bool) -> int:
    if as_json:
        emit_json({**_understood(table), "problems": [asdict(problem) for problem in problems]})
        return Exit.INPUT_WRONG
    for line in _lines(table):
        say(line)
    for problem in problems:
        say(f"\n{problem}")
    say(f"\n{table.sheet.file}: {len(problems)} things cannot be used, so no study was made. Mend the table.")
    return Exit.INPUT_WRONG


def _understood(table: StudyTable) -> dict[str, object]:
    return {
        "format": CHECK_FORMAT,
        "file": table.sheet.file,
        "sheet": table.sheet.title,
        "columns": {column.field: column.heading for column in table.columns},
        "unused_columns": list(table.unused),
        "notes": table.notes,
        "facts": table.facts,
        "devices": list(table.tags),
    }


def _lines(table: StudyTable) -> list[str]:
    """What was understood of the table, and what was not."""
    many = f"{len(table.tags)} devices, {len(table.rows)} rows of settings"
    return [
        f"{table.sheet.file}: headings in row {table.heading_row}, {many}",
        *(
            f"    {column.heading:<28} {_meaning(column.field, column.unit, column.at)}"
            for column in table.columns
        ),
        *(f"    {name}: {text}" for name, text in table.facts.items()),
        *(f"    not used: column {name}" for name in table.unused),
        *(f"    {note}" for note in table.notes),
    ]


def _meaning(field: str, unit: str, at: str) -> str:
    return " ".join(filter(None, (field, unit and f"in {unit}", at and f"at {at}")))


def _next(blanks: Sequence[str], output: Path | None) -> list[str]:
    lines = []
    if blanks:
        lines += [
            "",
            f"The table does not tell these; fill in the study before it is used: {', '.join(blanks)}",
        ]
    if output is not None:
        lines += ["", f"Made {output}. Next: {command('study', 'check', str(output))}"]
    return lines
