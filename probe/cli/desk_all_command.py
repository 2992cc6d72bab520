"""The command ``desk all``: every calculation that the map's cabling allows."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from probe.cli import failure
from probe.cli.failure import Exit
from probe.collect.inputs import open_lineup
from probe.desk.curve_from_map import curves
from probe.desk.from_map import Calculation, calculations
from probe.model.errors import InputError, Problem
from probe.model.finding import Verdict
from probe.model.nearest import did_you_mean, listed
from probe.present.console import emit_json, say
from probe.present.desk_page import map_document, map_lines


def every(file: Path, *, only: Sequence[str], profile_dirs: Sequence[Path], as_json: bool) -> int:
    """Show all calculations of a map; 1 if one fails a limit. Raises InputError."""
    lineup, warnings = open_lineup(file, profile_dirs)
    failure.warn_problems(warnings)
    made = (*calculations(lineup.map), *curves(lineup))
    if not made:
        raise InputError([_no_cabling(file)])
    made = _chosen(made, only)
    if as_json:
        emit_json(map_document(lineup.map, made))
    else:
        say(f"{lineup.map.lineup}, {lineup.map.site}: desk calculations from the map\n")
        for line in map_lines(made):
            say(line)
    fails = any(one.working.verdict is Verdict.FAIL for one in made)
    return Exit.FINDINGS_FAIL if fails else Exit.DONE


def _chosen(made: tuple[Calculation, ...], only: Sequence[str]) -> tuple[Calculation, ...]:
    names = tuple(dict.fromkeys(one.name for one in made))
    problems = [
        Problem(
            file="--only",
            what="the map has no cable, battery, conduit or studied breaker of this name",
            found=name,
            allowed=listed(names),
            remedy=did_you_mean(name, names),
        )
        for name in only
        if name not in names
    ]
    if problems:
        raise InputError(problems)
    return tuple(one for one in made if not only or one.name in only)


def _no_cabling(file: Path) -> Problem:
    return Problem(
        file=str(file),
        what="the map draws no cabling and names no study with fault currents: nothing can be calculated",
        field="cabling",
        allowed="fibres, channels, buses, feeders, banks, conduits under cabling",
        remedy="add them to the map (docs/device-map.md, Cabling), or use desk fibre, copper, battery, ...",
    )
