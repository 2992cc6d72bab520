"""The audit command: open the map, look before touching anything, run, show, save, and sum up.

``run_audit`` is the run alone; the demo uses it on its practice lineup.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from probe.cli import failure
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.scope import Scope


def audit(  # noqa: PLR0913 (one argument an option of the command)
    file: Path,
    *,
    only: Sequence[str] = (),
    skip: Sequence[str] = (),
    quick: bool = False,
    dwell_s: float = 0.0,
    record: Path | None = None,
    operator: str = "",
    as_json: bool = False,
    profile_dirs: Sequence[Path] = (),
) -> int:
    """Audit the lineup that the map file describes; the exit code.

    Raises InputError for a wrong map, profile, selection or record path, before any device is touched.
    """
    from probe.cli.selection import choose
    from probe.collect.inputs import open_lineup

    if quick and dwell_s:
        raise InputError([_quick_dwell()])
    lineup, warnings = open_lineup(file, profile_dirs)
    failure.warn_problems(warnings)
    tags, left_out = choose(lineup.map, only, skip)
    scope = Scope(tags=tags, left_out=left_out, quick=quick, dwell_s=dwell_s)
    return run_audit(lineup, scope, record_path=record, operator=operator, as_json=as_json)


def run_audit(
    lineup: Lineup,
    scope: Scope,
    *,
    record_path: Path | None = None,
    operator: str = "",
    as_json: bool = False,
    practice: bool = False,
) -> int:
    """Run one audit from preflight to summary; the exit code.

    record_path: None for a new file named after lineup and time in the current folder.
    practice: a simulated lineup on this computer: no ways to look at, no cautions about energized gear.
    Raises InputError if the record cannot be made or no device can be reached from this computer.
    """
    from probe.cli.audit_end import finish
    from probe.cli.audit_run import conduct
    from probe.cli.audit_start import make_ready

    start = make_ready(lineup, scope, record_path, operator, as_json=as_json, practice=practice)
    ended = conduct(start)
    return finish(start, ended)


def _quick_dwell() -> Problem:
    return Problem(
        file="--quick",
        what="--quick and --dwell contradict each other: one asks for a single poll, one for many",
        remedy="leave one of them out",
    )
