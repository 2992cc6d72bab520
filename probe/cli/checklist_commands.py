"""The commands ``checklist make``, ``print``, ``check`` and ``schema``."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from probe.cli import failure
from probe.cli.failure import Exit
from probe.cli.invocation import command
from probe.cli.new_file import make_new
from probe.collect.checklists import made_checklist, open_checklist, open_items
from probe.collect.inputs import open_lineup
from probe.model.checklist import Checklist, checklist_schema
from probe.model.checklist_items import items_schema
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.present.console import emit_json, say

CHECKLIST_MADE_FORMAT = "buswitness-checklist-made/1"


def make(
    map_file: Path, *, items: Path | None, output: Path | None, profile_dirs: Sequence[Path], as_json: bool
) -> int:
    """Make the checklist of a map, as a new file or on stdout; 0. Raises InputError."""
    lineup = _lineup(map_file, profile_dirs)
    checklist, text = made_checklist(lineup.map, open_items(items))
    if output is None:
        if as_json:
            emit_json(_document(checklist, None))
        else:
            say(text.text.rstrip("\n"))
        return Exit.DONE
    make_new(output, lambda new: new.write(text.text.encode()))
    if as_json:
        emit_json(_document(checklist, output))
        return Exit.DONE
    say(f"Checklist  {output}: {_counted(checklist)}")
    say(f"Next       {command('checklist', 'fill', map_file, output)}")
    say(f"           {command('checklist', 'print', map_file, output)}")
    return Exit.DONE


def check(map_file: Path, checklist_file: Path, *, profile_dirs: Sequence[Path], as_json: bool) -> int:
    """Tell whether a checklist is one and fits its map; 0. Raises InputError with every problem."""
    lineup = _lineup(map_file, profile_dirs)
    checklist, _ = open_checklist(checklist_file, lineup.map)
    if as_json:
        emit_json(_document(checklist, checklist_file))
    else:
        say(f"{checklist_file}: {_counted(checklist)}; it fits the map")
    return Exit.DONE


def printed(
    map_file: Path,
    checklist_file: Path | None,
    *,
    output: Path | None,
    paper: str,
    profile_dirs: Sequence[Path],
    as_json: bool,
) -> int:
    """Print the list to be filled in by hand, as a new PDF; 0. Raises InputError."""
    from probe.present.checklist_paper import checklist_pdf
    from probe.present.turnover.assembly import PaperSize

    if paper.lower() not in tuple(PaperSize):
        what = "this is none of the choices"
        raise InputError([Problem(file="--paper", what=what, found=paper, allowed=" ".join(PaperSize))])
    lineup = _lineup(map_file, profile_dirs)
    checklist, text = (
        made_checklist(lineup.map, open_items(None))
        if checklist_file is None
        else open_checklist(checklist_file, lineup.map)
    )
    target = output or _free(map_file)
    data = checklist_pdf(checklist, lineup.map, PaperSize(paper.lower()), text)
    make_new(target, lambda new: new.write(data))
    if as_json:
        emit_json({**_document(checklist, target), "bytes": len(data), "sha256_of_list": text.sha256})
        return Exit.DONE
    say(f"Paper      {target}: {_counted(checklist)}")
    given = () if checklist_file is None else (checklist_file,)
    say(f"Later      {command('checklist', 'enter', map_file, *given, '--by', 'NAME', '--on', 'DATE')}")
    return Exit.DONE


def schema(*, items: bool) -> int:
    """Print the JSON Schema of a checklist, or of a list of questions; 0."""
    emit_json(items_schema() if items else checklist_schema())
    return Exit.DONE


def _lineup(map_file: Path, profile_dirs: Sequence[Path]) -> Lineup:
    lineup, warnings = open_lineup(map_file, profile_dirs)
    failure.warn_problems(warnings)
    return lineup


def _counted(checklist: Checklist) -> str:
    measured = sum(line.measure is not None for line in checklist.lines)
    photographs = sum(line.photograph for line in checklist.lines)
    return f"{len(checklist.lines)} lines, {measured} of them measured, {photographs} with a photograph"


def _document(checklist: Checklist, file: Path | None) -> dict[str, object]:
    about = Counter(line.about for line in checklist.lines)
    return {
        "format": CHECKLIST_MADE_FORMAT,
        "file": None if file is None else str(file),
        "site": checklist.site,
        "lineup": checklist.lineup,
        "lines": len(checklist.lines),
        "measured": sum(line.measure is not None for line in checklist.lines),
        "photographs": sum(line.photograph for line in checklist.lines),
        "about": dict(about),
        "list": [
            {"number": number, **line.model_dump(mode="json", exclude_none=True)}
            for number, line in enumerate(checklist.lines, 1)
        ],
    }


def _free(map_file: Path) -> Path:
    """``x.yaml`` to ``x.checklist.pdf`` in the current folder, or with the next number that is free."""
    path, number = Path(f"{map_file.stem}.checklist.pdf"), 1
    while path.exists():
        number += 1
        path = Path(f"{map_file.stem}.checklist-{number}.pdf")
    return path
