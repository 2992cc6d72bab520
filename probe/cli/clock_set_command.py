"""``clock --set``: which clocks may be set, by whom, and the typed word without which nothing is written."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from probe.cli import failure
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.nearest import did_you_mean, listed
from probe.model.scope import Scope

if TYPE_CHECKING:
    from probe.cli.audit_start import Wishes
    from probe.cli.clock_set_run import Answer, Proposal
    from probe.present.face import Face

ALL = "all"
CAUTION = (
    "Setting a clock changes how the events of this device are put in order: stamps from before and after "
    "are on different clocks. Agree with whoever runs the plant, and save the event logs first. Nothing but "
    "the clock registers named here is written."
)


def set_clocks(  # noqa: PLR0913 (one argument an option of the command)
    file: Path,
    tags: Sequence[str],
    *,
    wishes: Wishes,
    yes: bool = False,
    settle_s: float = 0.0,
    record: Path | None = None,
    plot: Path | None = None,
    profile_dirs: Sequence[Path] = (),
) -> int:
    """Set the clocks of these devices after confirmation; the exit code, as of an audit.

    tags: tags of the map, or ``all``. yes: no typed confirmation; then wishes.operator must be given.
    settle_s: how long to wait before looking whether something set them back.
    Raises InputError for a wrong map, a tag whose clock cannot be set, or if nobody can be asked.
    """
    from probe.collect.inputs import open_lineup

    lineup, warnings = open_lineup(file, profile_dirs)
    failure.warn_problems(warnings)
    chosen = settable(lineup, tags)
    wishes = replace(wishes, operator=_operator(wishes.operator, yes=yes))
    scope = Scope(tags=chosen, clocks_only=True, fine=True, set_clocks=chosen)
    return run_setting(lineup, scope, wishes, yes=yes, settle_s=settle_s, record=record, plot=plot)


def run_setting(  # noqa: PLR0913 (each may be left out)
    lineup: Lineup,
    scope: Scope,
    wishes: Wishes,
    *,
    yes: bool,
    settle_s: float = 0.0,
    record: Path | None = None,
    plot: Path | None = None,
) -> int:
    """Measure, ask, write, measure again, sum up; the exit code."""
    from probe.cli.audit_start import make_ready
    from probe.cli.clock_command import finish
    from probe.cli.clock_set_run import conduct_setting
    from probe.cli.hold import holding

    def ask(proposals: Sequence[Proposal]) -> Answer:
        return _asked(proposals, wishes, yes=yes)

    def face() -> Face:
        from probe.present.clock_face import ClockFace
        from probe.present.console import console, is_live

        stream = sys.stderr if wishes.as_json else sys.stdout
        return ClockFace(console(stream), live=is_live(stream))

    with holding(lineup.map, "clock --set", practice=wishes.practice):
        start = make_ready(lineup, scope, record, wishes)
        ended = conduct_setting(start, ask, face, settle_s)
    return finish(start, ended, plot)


def ensure_alone(tags: Sequence[str] | None, *, measuring: bool) -> None:
    """Return if the options fit together. Raises InputError."""
    if not tags:
        raise InputError(
            [_problem("--yes, --settle", "these belong to --set", "say which clock: --set TAG, or --set all")]
        )
    if measuring:
        what = "--set measures as finely as each clock needs; no other choice goes with it"
        raise InputError([_problem("--set", what, "leave out --only, --skip, --fine, --patient and --dwell")])


# --- which --------------------------------------------------------------------------------------------------


def settable(lineup: Lineup, tags: Sequence[str]) -> tuple[str, ...]:
    """The tags whose clocks are to be set, in the map's order. Raises InputError with every wrong one."""
    able = tuple(device.tag for device in lineup.map.devices if _why_not(lineup, device.tag) == "")
    if ALL in tags:
        if not able:
            raise InputError([_problem("--set", "no clock of this map can be set", "see docs/clocks.md")])
        return able
    problems = [problem for tag in tags if (problem := _wrong(lineup, tag, able)) is not None]
    if problems:
        raise InputError(problems)
    return tuple(tag for tag in able if tag in tags)


def _why_not(lineup: Lineup, tag: str) -> str:
    device = lineup.map.by_tag[tag]
    profile = lineup.profile_of(device)
    if profile.clock is None:
        return f"its profile {profile.name} names no clock"
    if profile.clock.write is None:
        return f"its profile {profile.name} does not say how its clock is set (clock, write)"
    return "it is the reference itself" if lineup.map.clock.is_reference(tag) else ""


def _wrong(lineup: Lineup, tag: str, able: Sequence[str]) -> Problem | None:
    if tag not in lineup.map.by_tag:
        what, remedy = f"{tag} is not in the map", did_you_mean(tag, able)
    elif why := _why_not(lineup, tag):
        what, remedy = f"the clock of {tag} cannot be set: {why}", "set it as its manual says"
    else:
        return None
    allowed = listed(able) + ", or all" if able else ""
    return Problem(file="--set", what=what, found=tag, allowed=allowed, remedy=remedy)


def _problem(where: str, what: str, remedy: str) -> Problem:
    return Problem(file=where, what=what, remedy=remedy)


# --- who, and the word --------------------------------------------------------------------------------------


def _operator(name: str, *, yes: bool) -> str:
    """Who sets the clocks: as given, or asked for. Raises InputError if nobody can be asked."""
    if name.strip():
        if not yes and not sys.stdin.isatty():
            raise InputError([_nobody()])
        return name.strip()
    if yes:
        raise InputError([_problem("--yes", "nobody is named who sets the clocks", "add --operator NAME")])
    if not sys.stdin.isatty():
        raise InputError([_nobody()])
    typed = _read("Your name, for the record: ").strip()
    if not typed:
        raise InputError([_problem("--set", "nobody is named who sets the clocks", "give your name")])
    return typed


def _nobody() -> Problem:
    return _problem(
        "--set",
        "this is no terminal, so nobody can be asked to confirm",
        "run it in a terminal, or give --yes with --operator NAME",
    )


def _asked(proposals: Sequence[Proposal], wishes: Wishes, *, yes: bool) -> Answer:
    """Show what will be written where, and take the typed word."""
    from probe.cli.clock_set_run import Answer

    wanted = [one for one in proposals if not one.reason]
    _show(proposals)
    if yes:
        return Answer(confirmed=True, said="--yes", operator=wishes.operator)
    phrase = wanted[0].setting.tag if len(wanted) == 1 else f"set {len(wanted)} clocks"
    thing = "this clock" if len(wanted) == 1 else "these clocks"
    typed = _read(f"Type  {phrase}  to set {thing}, anything else to leave as it is: ").strip()
    return Answer(confirmed=typed == phrase, said=typed, operator=wishes.operator)


def _show(proposals: Sequence[Proposal]) -> None:
    """The proposals, for people; stdout is the machine's with --json, so they go to stderr."""
    from probe.present.console import say

    say("", error=True)
    for one in proposals:
        say(f"{one.setting.tag} stands {one.setting.offset_words} from the reference", error=True)
        if one.reason:
            say(f"  not to be set: {one.reason}", error=True)
        else:
            say(f"  to write: {one.plan}", error=True)
    for words in dict.fromkeys(one.reservation for one in proposals if one.reservation):
        say(f"\nReservation: {words}", error=True)
    say("", error=True)
    say(CAUTION, error=True)
    say("", error=True)


def _read(prompt: str) -> str:
    """One line from the terminal; the prompt goes to stderr."""
    sys.stderr.write(prompt)
    sys.stderr.flush()
    return sys.stdin.readline()
