"""The witness command: people act at the gear, the tool leads, watches, times and keeps.

witness MAP                    which procedures there are, and how many steps each has here
witness MAP PROCEDURE          lead through it
witness RECORD                 go on with an open record; or show what a closed one came to
"""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from probe.cli import failure
from probe.cli.failure import Exit
from probe.cli.invocation import command
from probe.cli.procedure_commands import opened, overview
from probe.cli.witness_run import OnGo, ShiftedClock, Stand, WitnessRun, pieces_of
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.nearest import did_you_mean
from probe.model.procedure import Procedure
from probe.model.scope import Scope
from probe.present.console import say

if TYPE_CHECKING:
    from probe.cli.audit_end import Ended
    from probe.cli.audit_start import Wishes
    from probe.record.content import RecordContent

_RECORDS = (".audit.jsonl", ".audit.jsonl.gz", ".audit.jsonl.zst")
_INITIALS = re.compile(r"\S{1,8}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What is to be witnessed. only: who acts on (the others are watched). skip: left out altogether.

    values: ``name=value`` for parameters. initials: of who works the keys.
    """

    only: tuple[str, ...] = ()
    skip: tuple[str, ...] = ()
    values: tuple[str, ...] = ()
    initials: str = ""


def _nobody(_item: object, _round: int) -> None:
    """Nobody has to be told of a go."""


def witness(  # noqa: PLR0913 (one argument an option of the command)
    file: Path,
    procedures: Sequence[str],
    choice: Choice,
    wishes: Wishes,
    *,
    record: Path | None = None,
    close: bool = False,
    profile_dirs: Sequence[Path] = (),
    on_go: OnGo = _nobody,
) -> int:
    """Lead through procedures of the lineup that the map describes; the exit code.

    file: a map, or a record to go on with. close: judge and close an open record as it stands.
    Raises InputError before any device is touched, RecordError.
    """
    if file.name.endswith(_RECORDS):
        return _from_record(file, procedures, choice, wishes, close=close, on_go=on_go)
    from probe.collect.inputs import open_lineup

    lineup, warnings = open_lineup(file, profile_dirs)
    failure.warn_problems(warnings)
    if not procedures:
        return overview(lineup, file, as_json=wishes.as_json)
    taken = opened(procedures)
    lineup = replace(lineup, sheet_texts=tuple(text for _, text in taken))
    scope = scope_of(lineup, [procedure for procedure, _ in taken], choice)
    return begin(lineup, scope, choice, wishes, record=record, on_go=on_go)


def begin(
    lineup: Lineup,
    scope: Scope,
    choice: Choice,
    wishes: Wishes,
    *,
    record: Path | None = None,
    on_go: OnGo = _nobody,
) -> int:
    """Begin a run with a new record; the exit code."""
    from probe.cli.audit_start import make_ready
    from probe.cli.hold import holding

    with holding(lineup.map, "witness", practice=wishes.practice):
        start = make_ready(lineup, scope, record, wishes)
        start.writer.expect(start.plan.expectations)
        stand = Stand(
            lineup=lineup,
            scope=scope,
            path=start.path,
            writer=start.writer,
            clock=start.clock,
            expectations=start.plan.expectations,
            started_wall_ns=start.clock.wall_ns(),
            as_json=wishes.as_json,
            practice=wishes.practice,
        )
        return _sit(stand, choice, on_go)


def scope_of(lineup: Lineup, procedures: Sequence[Procedure], choice: Choice) -> Scope:
    """What is watched and who acts on what. Raises InputError if that leaves nothing to do."""
    from probe.cli.selection import choose

    tags, left_out = choose(lineup.map, (), choice.skip)
    targets = choose(lineup.map, choice.only, choice.skip)[0] if choice.only else ()
    _check_values(procedures, choice.values)
    scope = Scope(
        tags=tags,
        left_out=left_out,
        sheets=tuple(procedure.name for procedure in procedures),
        targets=targets,
        sheet_values=choice.values,
    )
    _check_items(lineup, scope, procedures)
    return scope


# -- a sitting ----------------------------------------------------------------------------------------------


def _sit(stand: Stand, choice: Choice, on_go: OnGo) -> int:
    run = WitnessRun(stand, choice.initials, on_go)
    try:
        ended = run.sit()
    finally:
        stand.writer.close()
    if ended is None:
        return _left(stand, run)
    return _finish(stand, run, ended)


def _left(stand: Stand, run: WitnessRun) -> int:
    """What there is to say when the people left: how to go on."""
    from probe.present.console import emit_json
    from probe.present.witness.machine import WITNESS_FORMAT

    done = len(run.watch.outcomes)
    total = len(run.watch.plan.items)
    say(f"Left with {done} of {total} steps done; the record is open and valid: {stand.path}", error=True)
    if not stand.practice:
        say("Go on with the next step:", error=True)
        say(f"  {command('witness', str(stand.path))}", error=True)
    say("Judge and close it as it stands:", error=True)
    say(f"  {command('witness', str(stand.path), '--close')}", error=True)
    if stand.as_json:
        lineup = stand.lineup.map
        emit_json(
            {
                "format": WITNESS_FORMAT,
                "site": lineup.site,
                "lineup": lineup.lineup,
                "complete": False,
                "why_incomplete": f"left with {done} of {total} steps done",
                "record": {"path": str(stand.path), "code": None},
                "exit_code": int(Exit.INCOMPLETE),
            }
        )
    return Exit.INCOMPLETE


def _finish(stand: Stand, run: WitnessRun, ended: Ended) -> int:
    """Show what the run came to; the exit code. A closed pipe does not change the code."""
    from probe.cli.audit_end import exit_code
    from probe.present import machine
    from probe.present.console import console, emit_json
    from probe.present.page import page_width, print_rows
    from probe.present.signs import signs_for
    from probe.present.summary import Closing, closing_rows
    from probe.present.witness.machine import WITNESS_FORMAT, witness_document
    from probe.present.witness.page import page
    from probe.record.seal import spoken

    code = exit_code(ended)
    path = str(stand.path)
    closing = Closing(
        record=path,
        code=spoken(ended.code) if ended.code else "",
        trouble=ended.trouble,
        commands=(command("witness", path), command("report", path), command("record", "verify", path)),
    )
    people = console(sys.stderr if stand.as_json else sys.stdout)
    try:
        signs = signs_for(people.encoding, "")
        width = page_width(people)
        print_rows(people, [*page(run.watch, width, signs), *closing_rows(closing, width)])
        if stand.as_json and ended.result is not None:
            audit = machine.audit_document(ended.result, record=path, code=ended.code, exit_code=code)
            emit_json(witness_document(audit, run.watch))
        elif stand.as_json:
            emit_json(
                machine.cut_off_document(
                    stand.lineup,
                    record=path,
                    code=ended.code,
                    trouble=ended.trouble,
                    exit_code=code,
                    form=WITNESS_FORMAT,
                )
            )
    except BrokenPipeError:
        failure.silence_stdout()
    return code


# -- from a record ------------------------------------------------------------------------------------------


def _from_record(
    file: Path, procedures: Sequence[str], choice: Choice, wishes: Wishes, *, close: bool, on_go: OnGo
) -> int:
    from probe.cli.hold import holding
    from probe.record.content import lineup_of, load

    if procedures or choice.only or choice.skip or choice.values:
        raise InputError([_only_the_record(file)])
    content = load(file)
    if not content.header.scope.sheets:
        what = "in this record nobody acted: it is no record of a witness run"
        raise InputError([Problem(file=str(file), what=what, remedy="buswitness record show FILE")])
    if content.seal is not None:
        return _show_closed(file, content, as_json=wishes.as_json)
    if close:
        stand = _stand_of(file, wishes)
        run = WitnessRun(stand, choice.initials)
        return _finish(stand, run, run.close_open())
    with holding(lineup_of(content.header).map, "witness"):
        return _sit(_stand_of(file, wishes), choice, on_go)


def _stand_of(file: Path, wishes: Wishes) -> Stand:
    """The open record, ready to be gone on with; its time runs on by the wall clock."""
    from probe.cli.key_commands import signer_of_this_computer
    from probe.model.evidence import Anchor
    from probe.record.content import lineup_of
    from probe.record.reopen import last_instant_ns, reopen
    from probe.wire.system_clock import SystemClock

    again = reopen(file, signer_of_this_computer(wanted=wishes.sign))
    content, clock = again.content, SystemClock()
    anchors = content.evidence.get(Anchor, ())
    last_ns = last_instant_ns(content)
    since_ns = clock.wall_ns() - anchors[-1][1].wall_ns + anchors[-1][1].at_ns if anchors else last_ns
    return Stand(
        lineup=lineup_of(content.header),
        scope=content.header.scope,
        path=file,
        writer=again.writer,
        clock=ShiftedClock(clock, max(since_ns, last_ns + 1) - clock.now_ns()),
        expectations=content.expectations,
        started_wall_ns=content.header.started_wall_ns,
        pieces=pieces_of(dict(content.evidence)),
        dropped=again.dropped,
        as_json=wishes.as_json,
    )


def _show_closed(file: Path, content: RecordContent, *, as_json: bool) -> int:
    """What a closed record came to, once more, from its evidence."""
    from probe.judge.witness.plan import WitnessPlan
    from probe.judge.witness.watch import Watch
    from probe.model.finding import Verdict
    from probe.present.console import console, emit_json
    from probe.present.page import page_width, print_rows
    from probe.present.signs import signs_for
    from probe.present.witness.machine import witness_document
    from probe.present.witness.page import page
    from probe.record.content import lineup_of

    lineup = lineup_of(content.header)
    watch = Watch(WitnessPlan(lineup, content.header.scope))
    watch.take_all(pieces_of(dict(content.evidence)))
    failed = any(finding.verdict is Verdict.FAIL for finding in content.findings)
    complete = content.seal is not None and content.seal.complete
    code = Exit.FINDINGS_FAIL if failed else Exit.DONE if complete else Exit.INCOMPLETE
    people = console(sys.stderr if as_json else sys.stdout)
    print_rows(people, page(watch, page_width(people), signs_for(people.encoding, "")))
    if as_json:
        head = {
            "site": lineup.map.site,
            "lineup": lineup.map.lineup,
            "complete": complete,
            "record": {"path": str(file), "code": content.code},
            "exit_code": int(code),
        }
        emit_json(witness_document(head, watch))
    return code


# -- what there is ------------------------------------------------------------------------------------------


# -- what is wrong ------------------------------------------------------------------------------------------


def check_initials(text: str) -> None:
    """Raises InputError unless the text can stand for a person's initials."""
    if text and not _INITIALS.fullmatch(text):
        what = "initials are up to 8 signs without blanks"
        raise InputError([Problem(file="--initials", what=what, found=text, remedy="as --initials AB")])


def no_map() -> InputError:
    """The error for a command line that names neither map nor record."""
    what, remedy = "it must be said what is to be witnessed", "buswitness witness MAP, or witness --list"
    return InputError([Problem(file="MAP", what=what, remedy=remedy)])


def _check_values(procedures: Sequence[Procedure], values: Sequence[str]) -> None:
    from probe.model.procedure import seconds_of

    known = {name: one for procedure in procedures for name, one in procedure.parameters.items()}
    for text in values:
        name, sign, value = text.partition("=")
        if not sign or name not in known:
            what = "no procedure of this run has this parameter" if sign else "this is not name=value"
            remedy = did_you_mean(name, known) or "as --set discharge='20 min'"
            problem = Problem(file="--set", what=what, found=text, allowed=", ".join(known), remedy=remedy)
            raise InputError([problem])
        try:
            seconds_of(known[name].default)
        except ValueError:
            continue  # a text, anything may stand there
        try:
            seconds_of(value)
        except ValueError:
            what = f"{name} is a duration"
            allowed = "a number with ms, s, min or h, as 5 s"
            raise InputError([Problem(file="--set", what=what, found=value, allowed=allowed)]) from None


def _check_items(lineup: Lineup, scope: Scope, procedures: Sequence[Procedure]) -> None:
    from probe.judge.witness.plan import WitnessPlan

    plan = WitnessPlan(lineup, scope)
    for procedure in procedures:
        if not any(
            item.procedure is procedure or item.procedure.name == procedure.name for item in plan.items
        ):
            what = f"{procedure.name} has no step in this choice of devices"
            allowed = f"its steps are done for each {procedure.for_each}"
            raise InputError([Problem(file="--only", what=what, allowed=allowed, remedy="choose others")])


def _only_the_record(file: Path) -> Problem:
    return Problem(
        file=str(file),
        what="a record says itself what is witnessed in it",
        remedy="give it alone, or begin a new run from the map",
    )
