"""``map check``, ``map import`` and ``map schema``: device maps, before anything touches the wire."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from probe.cli.failure import PROBLEMS_FORMAT, Exit
from probe.cli.invocation import command
from probe.collect.inputs import open_library, open_lineup
from probe.collect.spreadsheet import read_sheet
from probe.model.approval import approval_hash
from probe.model.editor_schema import map_schema
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.schedule import Schedule, understand
from probe.model.schedule_map import ImportedMap, make_map
from probe.model.sheet import letters
from probe.present.console import emit_json, say

#: People are not helped by the thousandth complaint; ``--json`` shows all.
SHOWN_AT_MOST = 60


def check(file: Path, *, as_json: bool, profile_dirs: Sequence[Path] = ()) -> int:
    """Tell every problem of a map; 0 if there is none (warnings are told, and do not count), else 2."""
    try:
        lineup, problems = open_lineup(file, profile_dirs)
    except InputError as error:
        return _tell_wrong(file, error.problems, as_json=as_json)
    if as_json:
        emit_json(_object(file, problems, devices=len(lineup.map.devices)))
        return Exit.DONE
    _tell(problems)
    for line in _summary(file, lineup, problems):
        say(line)
    return Exit.DONE


def import_schedule(schedule: Path, *, output: Path | None, sheet: str | None, as_json: bool) -> int:
    """Make a map from a schedule; 0 if it was made (blanks to be filled in are named), else 2.

    output: never overwritten; None prints the map on stdout.
    """
    understood = understand(read_sheet(schedule, sheet))
    name = output.as_posix() if output else "the map"
    made = make_map(understood, name, open_library().names())
    if any(problem.severity == "error" for problem in made.problems):
        return _tell_not_made(understood, made, as_json=as_json)
    if output is not None:
        _write_new(output, made.text)
    if as_json:
        emit_json(_import_object(understood, made, output))
        return Exit.DONE
    if output is None:
        sys.stdout.write(made.text)
    for line in _understood(understood, made, output):
        say(line, error=output is None)
    return Exit.DONE


def schema() -> int:
    """Print the JSON Schema of device maps."""
    emit_json(map_schema())
    return Exit.DONE


def _tell_wrong(file: Path, problems: Sequence[Problem], *, as_json: bool) -> int:
    if as_json:
        emit_json(_object(file, problems, devices=0))
        return Exit.INPUT_WRONG
    _tell(problems)
    say()
    say(f"{file}: {_counted(problems)}. Mend the errors and check again; nothing was sent to any device.")
    return Exit.INPUT_WRONG


def _object(file: Path, problems: Sequence[Problem], *, devices: int) -> dict[str, object]:
    return {
        "format": PROBLEMS_FORMAT,
        "file": file.as_posix(),
        "problems": [asdict(problem) for problem in problems],
        "devices": devices,
    }


def _tell(problems: Sequence[Problem]) -> None:
    for problem in problems[:SHOWN_AT_MOST]:
        say(str(problem))
    if len(problems) > SHOWN_AT_MOST:
        say(f"... and {len(problems) - SHOWN_AT_MOST} more; --json shows all.")


def _counted(problems: Sequence[Problem]) -> str:
    errors = sum(problem.severity == "error" for problem in problems)
    warnings = len(problems) - errors
    parts = [_plural(errors, "error")] if errors else []
    parts += [_plural(warnings, "warning")] if warnings else []
    return ", ".join(parts) or "nothing wrong"


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _summary(file: Path, lineup: Lineup, problems: Sequence[Problem]) -> list[str]:
    """What the map holds, so that a person sees at once whether it is the right one."""
    kinds = Counter(device.kind.value for device in lineup.map.devices)
    parts = ", ".join(f"{count} {kind}" for kind, count in kinds.items())
    system = lineup.map.system
    digest = approval_hash(text.text for text in lineup.map_texts)
    approved = lineup.map.approved_sha256
    state = (
        "not approved" if approved is None else "approved" if approved == digest else "not the approved map"
    )
    return [
        *([""] if problems else []),
        f"{file}: {_counted(problems)}",
        f"    site      {lineup.map.site}",
        f"    lineup    {lineup.map.lineup}",
        f"    system    {system.voltage_v:g} V, {system.frequency_hz:g} Hz, {system.wiring}",
        f"    devices   {len(lineup.map.devices)}: {parts}",
        f"    sections  {len(lineup.map.sections)}: {', '.join(lineup.map.sections[:12])}",
        f"    files     {', '.join(text.name for text in lineup.map_texts)}",
        f"    hash      {digest} ({state})",
    ]


def _tell_not_made(schedule: Schedule, made: ImportedMap, *, as_json: bool) -> int:
    if as_json:
        emit_json(_import_object(schedule, made, None))
        return Exit.INPUT_WRONG
    for line in _columns(schedule):
        say(line)
    say()
    _tell(made.problems)
    say()
    say(
        f"{schedule.sheet.file}: {_counted(made.problems)}. No map was made: mend the schedule and try again."
    )
    return Exit.INPUT_WRONG


def _write_new(path: Path, text: str) -> None:
    """Write a new file. Raises InputError if it is there already or cannot be made."""
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        what, remedy = "this file is there already, and is not overwritten", "choose another name"
        raise InputError([Problem(file=path.as_posix(), what=what, remedy=remedy)]) from None
    except OSError as error:
        what = f"the map cannot be written: {error.strerror or error}"
        raise InputError([Problem(file=path.as_posix(), what=what)]) from None


def _import_object(schedule: Schedule, made: ImportedMap, output: Path | None) -> dict[str, object]:
    return {
        "format": PROBLEMS_FORMAT,
        "file": schedule.sheet.file,
        "sheet": schedule.sheet.title,
        "problems": [asdict(problem) for problem in made.problems],
        "devices": len(schedule.devices),
        "columns": {column.field: column.heading for column in schedule.columns},
        "unused_columns": list(schedule.unused),
        "notes": schedule.notes,
        "blanks": list(made.blanks),
        "output": output.as_posix() if output else "",
        "map": "" if output else made.text,
    }


def _columns(schedule: Schedule) -> list[str]:
    """What was understood of the schedule, and what was not."""
    devices = _plural(len(schedule.devices), "device")
    return [
        f"{schedule.sheet.file}: headings in row {schedule.heading_row}, {devices}",
        *(f"    {letters(c.number):>2}  {c.heading:<24} {c.field}" for c in schedule.columns),
        *(f"    not used: column {name}" for name in schedule.unused),
        *(f"    {note}" for note in schedule.notes),
    ]


def _understood(schedule: Schedule, made: ImportedMap, output: Path | None) -> list[str]:
    lines = _columns(schedule)
    for problem in made.problems:
        lines += ["", str(problem)]
    if made.blanks:
        lines += ["", "The schedule does not tell these; fill in the map before it is used:"]
        lines += [f"    {blank}" for blank in made.blanks]
    if output is not None:
        lines += ["", f"Made {output}. Next: {command('map', 'check', output)}"]
    return lines
