"""The audit command: open the map, look before touching anything, run, show, save, and sum up.

``run_audit`` is the run alone; the demo uses it on its practice lineup.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from probe.cli import failure
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.scope import Scope

if TYPE_CHECKING:
    from probe.record.header import Source


def audit(  # noqa: PLR0913 (one argument an option of the command)
    file: Path | None,
    *,
    only: Sequence[str] = (),
    skip: Sequence[str] = (),
    quick: bool = False,
    dwell_s: float = 0.0,
    record: Path | None = None,
    operator: str = "",
    as_json: bool = False,
    profile_dirs: Sequence[Path] = (),
    sign: bool = True,
    resume: Path | None = None,
    retest: Path | None = None,
) -> int:
    """Audit the lineup that the map file describes; the exit code.

    sign: with the key of this computer, if there is one. resume, retest: an older record, whose unfinished
    devices are done, or whose failed and untested ones are repeated; then the map may be left out.
    Raises InputError for a wrong map, profile, selection or record path, before any device is touched.
    """
    from probe.cli import audit_again
    from probe.cli.selection import choose
    from probe.collect.inputs import open_lineup

    if quick and dwell_s:
        raise InputError([_quick_dwell()])
    if resume is not None or retest is not None:
        if only or skip or quick or dwell_s or (resume and retest):
            raise InputError([_too_many_wishes()])
        again = (
            audit_again.resumed(resume, file, profile_dirs)
            if resume is not None
            else audit_again.retested(retest, file, profile_dirs)  # type: ignore[arg-type] # one of the two
        )
        return run_audit(
            again.lineup,
            again.scope,
            record_path=record,
            operator=operator,
            as_json=as_json,
            sign=sign,
            source=again.source,
        )
    if file is None:
        raise InputError([_no_map()])
    lineup, warnings = open_lineup(file, profile_dirs)
    failure.warn_problems(warnings)
    tags, left_out = choose(lineup.map, only, skip)
    scope = Scope(tags=tags, left_out=left_out, quick=quick, dwell_s=dwell_s)
    return run_audit(lineup, scope, record_path=record, operator=operator, as_json=as_json, sign=sign)


def run_audit(  # noqa: PLR0913 (each may be left out)
    lineup: Lineup,
    scope: Scope,
    *,
    record_path: Path | None = None,
    operator: str = "",
    as_json: bool = False,
    practice: bool = False,
    sign: bool = True,
    source: Source | None = None,
) -> int:
    """Run one audit from preflight to summary; the exit code.

    record_path: None for a new file named after lineup and time in the current folder.
    practice: a simulated lineup on this computer: no ways to look at, no cautions about energized gear.
    sign: see ``audit``. source: the older record that the new one names.
    Raises InputError if the record cannot be made or no device can be reached from this computer,
    BusyError if another run asks this lineup.
    """
    from probe.cli.audit_end import finish
    from probe.cli.audit_run import conduct
    from probe.cli.audit_start import Wishes, make_ready
    from probe.cli.hold import holding

    wishes = Wishes(operator=operator, sign=sign, source=source, as_json=as_json, practice=practice)
    with holding(lineup.map, "audit", practice=practice):
        start = make_ready(lineup, scope, record_path, wishes)
        ended = conduct(start)
    return finish(start, ended)


def _no_map() -> Problem:
    return Problem(
        file="MAP",
        what="the device map is missing",
        remedy="give its file; only --resume and --retest do without, with the map in the record",
    )


def _too_many_wishes() -> Problem:
    return Problem(
        file="--resume, --retest",
        what="what is asked, and how, follows from the older record: no other choice goes with it",
        found="--only, --skip, --quick, --dwell, or both of --resume and --retest",
        remedy="leave them out, or begin a new run",
    )


def _quick_dwell() -> Problem:
    return Problem(
        file="--quick",
        what="--quick and --dwell contradict each other: one asks for a single poll, one for many",
        remedy="leave one of them out",
    )
