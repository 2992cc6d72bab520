"""The clock command: measure the clocks of a lineup, and nothing else of it.

Identity and proof point come first, as in an audit: a device that may be another one has no clock worth
judging. The record is that of an audit over the same devices whose scope says that it was for clocks alone.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from probe.cli import failure
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.scope import Scope

if TYPE_CHECKING:
    from probe.cli.audit_end import Ended
    from probe.cli.audit_start import Start, Wishes
    from probe.collect.events import AuditResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """How to measure. fine: to the finest that the gear allows. patient: wait for the steps of coarse clocks.

    dwell_s: watch for drift so long.
    """

    fine: bool = False
    patient: bool = False
    dwell_s: float = 0.0


def clock(  # noqa: PLR0913 (one argument an option of the command)
    file: Path,
    *,
    only: Sequence[str] = (),
    skip: Sequence[str] = (),
    ways: Ways = Ways(),
    record: Path | None = None,
    wishes: Wishes,
    profile_dirs: Sequence[Path] = (),
    plot: Path | None = None,
) -> int:
    """Measure the clocks of the lineup that the map file describes; the exit code, as of an audit.

    Raises InputError for a wrong map, profile, selection or record path, before any device is touched.
    """
    from probe.collect.inputs import open_lineup

    lineup, warnings = open_lineup(file, profile_dirs)
    failure.warn_problems(warnings)
    scope = clock_scope(lineup, only, skip, ways)
    return run_clocks(lineup, scope, wishes, record_path=record, plot=plot)


def clock_scope(lineup: Lineup, only: Sequence[str], skip: Sequence[str], ways: Ways) -> Scope:
    """The scope of a clock run: the chosen devices that have a clock and are not the reference itself.

    Raises InputError if the choice is wrong or leaves no clock.
    """
    from probe.cli.selection import choose

    tags, left_out = choose(lineup.map, only, skip)
    clocks = tuple(tag for tag in tags if _has_clock(lineup, tag))
    if not clocks:
        raise InputError([_no_clock(lineup, tags)])
    return Scope(
        tags=clocks,
        left_out=tuple(tag for tag in left_out if _has_clock(lineup, tag)),
        dwell_s=ways.dwell_s,
        clocks_only=True,
        fine=ways.fine,
        patient=ways.patient,
    )


def run_clocks(
    lineup: Lineup,
    scope: Scope,
    wishes: Wishes,
    *,
    record_path: Path | None = None,
    plot: Path | None = None,
) -> int:
    """Measure from preflight to summary; the exit code. As ``audit_command.run_audit``."""
    from probe.cli.audit_run import conduct
    from probe.cli.audit_start import make_ready
    from probe.cli.hold import holding
    from probe.present.clock_face import ClockFace
    from probe.present.console import console, is_live

    with holding(lineup.map, "clock", practice=wishes.practice):
        start = make_ready(lineup, scope, record_path, wishes)
        stream = sys.stderr if wishes.as_json else sys.stdout
        ended = conduct(start, ClockFace(console(stream), live=is_live(stream)))
    return finish(start, ended, plot)


def _has_clock(lineup: Lineup, tag: str) -> bool:
    device = lineup.map.by_tag[tag]
    is_reference = lineup.map.clock.is_reference(tag)
    return lineup.profile_of(device).clock is not None and not is_reference


def _no_clock(lineup: Lineup, tags: Sequence[str]) -> Problem:
    having = [device.tag for device in lineup.map.devices if _has_clock(lineup, device.tag)]
    return Problem(
        file="map" if len(tags) == len(lineup.map.devices) else "--only",
        what="none of these devices has a clock that could be measured",
        found=", ".join(tags[:8]),
        allowed=", ".join(having[:8]) or "devices whose profile names a clock, but for the reference",
        remedy="choose others, or name the clock in the profile",
    )


# --- the end -----------------------------------------------------------------------------------------------


def finish(start: Start, ended: Ended, plot: Path | None = None) -> int:
    """Show the summary on the right stream; the exit code. A closed pipe does not change the code.

    plot: where to draw which events the clocks can put in order. Raises InputError if it cannot be made.
    """
    from probe.cli.audit_end import exit_code

    code = exit_code(ended)
    try:
        _show(start, ended)
        if start.as_json:
            _emit(start, ended, code)
    except BrokenPipeError:
        failure.silence_stdout()
    if plot is not None and ended.result is not None:
        _draw(plot, ended.result)
    return code


def _draw(path: Path, result: AuditResult) -> None:
    """Draw the order of events into a new file."""
    from probe.cli.new_file import make_new
    from probe.present.clock_summary import fleet
    from probe.present.clock_svg import order_svg

    title = f"{result.lineup.map.site}, {result.lineup.map.lineup}: order of events"
    picture = order_svg(fleet(result), title).encode()
    make_new(path, lambda file: file.write(picture))


def _show(start: Start, ended: Ended) -> None:
    from probe.cli.audit_end import next_commands
    from probe.present import clock_summary, summary
    from probe.present.console import console
    from probe.record.seal import spoken

    people = console(sys.stderr if start.as_json else sys.stdout)
    closing = summary.Closing(
        record=str(start.path),
        code=spoken(ended.code) if ended.code else "",
        trouble=ended.trouble,
        commands=tuple(next_commands(start, ended)),
    )
    if ended.result is None:
        summary.show_cut_off(people, closing)
    else:
        clock_summary.show(people, ended.result, closing, hints(ended.result.lineup, ended.result.scope))


def hints(lineup: Lineup, scope: Scope) -> tuple[str, ...]:
    """What a longer measurement would give, and how long it takes."""
    from probe.collect.clock_talk import BUDGET
    from probe.judge.clock_state import COARSE_S
    from probe.judge.wording import count, span

    told = []
    steps = {tag: _step_s(lineup, tag) for tag in scope.tags}
    coarse = {tag: step_s for tag, step_s in steps.items() if step_s > COARSE_S}
    if coarse and not scope.patient:
        longest = span(BUDGET * max(coarse.values()))
        told.append(
            f"{count(len(coarse), 'clock')} with steps of {span(max(coarse.values()))}: --patient waits for "
            f"their steps and measures them finely; that takes up to {longest}."
        )
    if len(coarse) < len(steps) and not scope.fine and not scope.dwell_s:
        took = span(BUDGET * max(step_s for step_s in steps.values() if step_s <= COARSE_S))
        told.append(
            "Measured until each verdict was certain. --fine goes on to the finest that the gear allows "
            f"(about {took}), --dwell 10m also tells the drift."
        )
    return tuple(told)


def _step_s(lineup: Lineup, tag: str) -> float:
    rule = lineup.profile_of(lineup.map.by_tag[tag]).clock
    return rule.resolution_s if rule is not None else 0.0


def _emit(start: Start, ended: Ended, code: int) -> None:
    """The result as one object on stdout."""
    from probe.present import machine
    from probe.present.console import emit_json

    path = str(start.path)
    if ended.result is not None:
        emit_json(machine.clock_document(ended.result, record=path, code=ended.code, exit_code=code))
        return
    emit_json(
        machine.cut_off_document(
            start.plan.lineup,
            record=path,
            code=ended.code,
            trouble=ended.trouble,
            exit_code=code,
            form=machine.CLOCK_FORMAT,
        )
    )
