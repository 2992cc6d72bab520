"""The command line: what can be asked, and in which words; the work is in the modules beside.

Each command function only parses: it returns the work as a callable, which ``run`` calls outside the
command-line library, so that interrupts, closed pipes and errors are ours alone (``failure``). Modules
that do work are imported inside the work, so that ``--help`` stays light.
"""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

import probe
from probe.cli import failure
from probe.cli.capture_group import capture_app
from probe.cli.checklist_group import checklist_app
from probe.cli.desk_group import desk_app
from probe.cli.groups import map_app, profile_app
from probe.cli.key_group import key_app
from probe.cli.options import PLAIN, Json, NewRecord, NoSign, Only, Operator, ProfileDirs, Skip, Work
from probe.cli.record_group import record_app
from probe.cli.report_entry import report
from probe.cli.settings_entry import settings
from probe.cli.study_group import study_app
from probe.cli.survey_entry import survey
from probe.cli.sweep_group import sweep_app
from probe.cli.witness_entry import witness
from probe.present.console import say

#: In the order of the work: try, draw, look, prove, keep, look again.
ORDER = (
    *("demo", "map", "profile", "study", "desk"),
    *("survey", "audit", "clock", "settings", "witness", "checklist", "capture"),
    *("record", "report", "key", "sweep", "checks"),
)


class Commands(TyperGroup):
    """The commands in the order of the work; one that is not listed comes last."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Names in their order."""
        place = {name: number for number, name in enumerate(ORDER)}
        return sorted(super().list_commands(ctx), key=lambda name: place.get(name, len(ORDER)))


app = typer.Typer(**PLAIN, cls=Commands, pretty_exceptions_enable=False)
app.add_typer(map_app, name="map", help="Check, make and describe device maps (what should be there).")
app.add_typer(profile_app, name="profile", help="List, check, make and describe device profiles.")
app.add_typer(record_app, name="record", help="Read, prove, judge again, compare and join saved audits.")
app.add_typer(key_app, name="key", help="Make and show the key that seals your records.")
app.add_typer(study_app, name="study", help="Check studies of settings, make them from tables.")
app.add_typer(sweep_app, name="sweep", help="Scheduled runs over many lineups, and their history.")
app.add_typer(capture_app, name="capture", help="Record traffic, and analyse what was recorded.")
app.add_typer(checklist_app, name="checklist", help="Field checklist: what people look at and measure.")
app.add_typer(desk_app, name="desk", help="Desk calculations: no device is asked.")
app.command(short_help="Make the turnover document of a record, or prove one.")(report)
app.command(short_help="Compare protective settings with the study; curves, coordination.")(settings)
app.command(short_help="Look at the network itself: who is there, against the map.")(survey)
app.command(short_help="People act at the gear, the tool watches and times.")(witness)


#: What the command-line library returns for Ctrl-C while it parses; not one of our codes.
INTERRUPTED = 130


def run() -> None:
    """Run the program with the arguments of this process and leave with its exit code."""
    sys.exit(main(sys.argv[1:]))


def main(arguments: list[str]) -> int:
    """The exit code after doing what the arguments ask."""
    as_json = "--json" in arguments
    return failure.guard(partial(_do, arguments), as_json=as_json)


def _do(arguments: list[str]) -> int:
    return _work(arguments)()


def _work(arguments: list[str]) -> Work:
    """What the arguments ask for. Raises InputError for arguments that are wrong."""
    command = typer.main.get_command(app)
    try:
        parsed: Any = command(arguments, prog_name="buswitness", standalone_mode=False)
    except Exception as error:
        _raise_usage(error, as_json="--json" in arguments)
        raise
    if parsed == INTERRUPTED:
        raise KeyboardInterrupt
    return parsed if callable(parsed) else (lambda: int(parsed or 0))


def _raise_usage(error: Exception, *, as_json: bool) -> None:
    """Raise InputError if the command-line library found the arguments wrong; otherwise return."""
    family = typer.BadParameter.__mro__[2]  # ClickException; where it lives changed between minor releases
    if not isinstance(error, family):
        return
    from probe.model.errors import InputError, Problem

    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "buswitness"
    if type(error).__name__ == "NoArgsIsHelpError":
        what, remedy = "a command is missing", f"choose one that `{path} --help` lists"
        if not as_json:
            say(error.format_message() + "\n", error=True)  # type: ignore[attr-defined]
    else:
        what, remedy = error.format_message().strip(), f"see `{path} --help`"  # type: ignore[attr-defined]
    raise InputError([Problem(file=path, what=what, remedy=remedy)]) from error


def _show_version(asked: bool) -> None:
    if asked:
        typer.echo(f"buswitness {probe.__version__}")
        raise typer.Exit


@app.callback()
def buswitness(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and exit."),
    ] = False,
) -> None:
    """Commissioning probe and health auditor for communicating low-voltage switchgear.

    Loads a map of what should be there, polls every trip unit and meter over Modbus, judges what it saw,
    shows it live and saves a record. It only reads: it never operates a breaker and never writes a
    setting. The one exception, clock --set, sets a device's clock after you have typed its tag.

    Switchgear can kill. Reading over the network needs no open door; keep outside the arc flash boundary
    and follow the site's lockout procedures and local codes for anything that does.

    \b
    Example: see it work on a simulated lineup, nothing else needed
      buswitness demo
    """


@app.command(short_help="Audit a simulated lineup on this computer; needs nothing else.")
def demo(  # noqa: PLR0913, PLR0917 (one an option)
    healthy: Annotated[bool, typer.Option("--healthy", help="A lineup with nothing wrong.")] = False,
    scenario: Annotated[
        Path | None, typer.Option("--scenario", metavar="FILE", help="Own scenario file instead.")
    ] = None,
    serve: Annotated[
        bool, typer.Option("--serve", help="Only keep the simulated lineup running, for trials of your own.")
    ] = False,
    witness_: Annotated[
        str,
        typer.Option(
            "--witness", metavar="PROCEDURE", help="Lead through a functional test; a scripted operator acts."
        ),
    ] = "",
    mood: Annotated[
        str,
        typer.Option("--operator-does", metavar="HOW", help="right, wrong, late, twice, elsewhere or idle."),
    ] = "right",
    record: NewRecord = None,
    dwell: Annotated[
        str, typer.Option("--dwell", metavar="TIME", help="Keep polling for so long, as 90s or 10m.")
    ] = "0s",
    as_json: Json = False,
) -> Work:
    """Start a simulated lineup on this computer, audit it, and show what is wrong with it.

    Needs no gear and no network: all traffic stays on the loopback address.

    \b
    Example:
      buswitness demo
      buswitness demo --healthy
      buswitness demo --witness open-close-local
    """

    def work() -> int:
        from probe.cli import demo_command, duration

        return demo_command.demo(
            healthy=healthy,
            scenario=scenario,
            serve=serve,
            witness=witness_,
            mood=mood,
            record=record,
            dwell_s=duration.seconds(dwell, "--dwell"),
            as_json=as_json,
        )

    return work


@app.command(short_help="Poll every device of a map, judge, save a sealed record.")
def audit(  # noqa: PLR0913, PLR0917 (one an option)
    map_file: Annotated[
        Path | None, typer.Argument(metavar="MAP", help="The device map of the lineup.", show_default=False)
    ] = None,
    only: Only = None,
    skip: Skip = None,
    quick: Annotated[
        bool, typer.Option("--quick", help="Identity and one poll; no proof that values move, no clocks.")
    ] = False,
    dwell: Annotated[
        str, typer.Option("--dwell", metavar="TIME", help="Keep polling for so long: 90s, 10m, 1h30m.")
    ] = "0s",
    record: NewRecord = None,
    operator: Operator = "",
    no_sign: NoSign = False,
    resume: Annotated[
        Path | None,
        typer.Option(
            "--resume",
            metavar="RECORD",
            help="Go on where this record stopped: only devices that have no verdicts yet, in a new record.",
        ),
    ] = None,
    retest: Annotated[
        Path | None,
        typer.Option(
            "--retest",
            metavar="RECORD",
            help="Repeat just what failed or was not tested in this record, identity first, in a new record.",
        ),
    ] = None,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Audit a lineup: poll every device of the map, judge what it says, save a sealed record.

    It only reads. Some devices allow one connection in all: the audit may take the place of another
    master while it runs, so agree with whoever watches the gear before you start.

    \b
    Exit codes: 0 nothing failed, 1 findings that fail, 2 map or arguments wrong,
    3 incomplete (interrupted, or something required was not tested).

    \b
    Example:
      buswitness audit msb-1.yaml
      buswitness audit msb-1.yaml --only section:2 --skip kind:switch --dwell 10m
      buswitness audit --retest MSB-1-20260302T101500Z.audit.jsonl
    """

    def work() -> int:
        from probe.cli import audit_command, duration

        return audit_command.audit(
            map_file,
            only=tuple(only or ()),
            skip=tuple(skip or ()),
            quick=quick,
            dwell_s=duration.seconds(dwell, "--dwell"),
            record=record,
            operator=operator,
            as_json=as_json,
            profile_dirs=tuple(profiles or ()),
            sign=not no_sign,
            resume=resume,
            retest=retest,
        )

    return work


@app.command(short_help="What is checked and why: all checks, or the page of one.")
def checks(
    name: Annotated[
        str | None, typer.Argument(metavar="ID", help="The check, as findings name it; without it: all.")
    ] = None,
    as_json: Json = False,
) -> Work:
    """List all checks, or print the page of one: what it sees, why it matters, its source and tolerance.

    \b
    Example:
      buswitness checks
      buswitness checks electrical.power
    """

    def work() -> int:
        from probe.cli import checks_command

        return checks_command.checks(name, as_json=as_json)

    return work


@app.command(short_help="Measure every device's clock to the finest the gear allows.")
def clock(  # noqa: PLR0913, PLR0917 (one an option)
    map_file: Annotated[Path, typer.Argument(metavar="MAP", help="The device map of the lineup.")],
    only: Only = None,
    skip: Skip = None,
    fine: Annotated[
        bool,
        typer.Option(
            "--fine", help="Go on to the finest that the gear allows, though the verdict is certain."
        ),
    ] = False,
    patient: Annotated[
        bool,
        typer.Option("--patient", help="Wait for the steps of clocks that show whole minutes."),
    ] = False,
    dwell: Annotated[
        str,
        typer.Option("--dwell", metavar="TIME", help="Watch for drift so long: 10m, 1h. Implies --fine."),
    ] = "0s",
    set_tags: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="TAG",
            help="Set this device's clock after typed confirmation; may be given again; all for every one.",
        ),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="With --set: no typed confirmation; needs --operator.")
    ] = False,
    settle: Annotated[
        str,
        typer.Option(
            "--settle", metavar="TIME", help="With --set: look again after so long whether it was set back."
        ),
    ] = "0s",
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot", metavar="PATH", help="Draw which events the stamps can put in order, as a new SVG file."
        ),
    ] = None,
    record: NewRecord = None,
    operator: Operator = "",
    no_sign: NoSign = False,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Measure the clocks of a lineup against the reference that the map names.

    Each reading is aimed at the instant at which the clock is about to step, so that a clock that shows
    whole seconds is known to hundredths of one. Ends as soon as each verdict is certain. It only reads,
    unless you ask it to set a clock.

    --set is the only write of this program. It measures first, shows what will be written to which
    registers of which device, asks for a typed word, writes, reads back and measures again. It refuses
    where the reference is worse than what it would mend, and where the profile does not define the write.
    Setting a clock changes how events are put in order: agree with whoever runs the plant first.

    \b
    Exit codes: as of audit.

    \b
    Example:
      buswitness clock msb-1.yaml
      buswitness clock msb-1.yaml --fine --dwell 10m
      buswitness clock msb-1.yaml --set 52-F1 --settle 2m
    """

    def work() -> int:
        from probe.cli import clock_command, duration
        from probe.cli.audit_start import Wishes

        dwell_s = duration.seconds(dwell, "--dwell")
        wishes = Wishes(operator=operator, sign=not no_sign, as_json=as_json)
        if set_tags or yes or settle != "0s":
            from probe.cli import clock_set_command

            clock_set_command.ensure_alone(
                set_tags, measuring=bool(only or skip or fine or patient or dwell_s)
            )
            return clock_set_command.set_clocks(
                map_file,
                tuple(set_tags or ()),
                wishes=wishes,
                yes=yes,
                settle_s=duration.seconds(settle, "--settle"),
                record=record,
                plot=plot,
                profile_dirs=tuple(profiles or ()),
            )
        return clock_command.clock(
            map_file,
            only=tuple(only or ()),
            skip=tuple(skip or ()),
            ways=clock_command.Ways(fine=fine or dwell_s > 0, patient=patient, dwell_s=dwell_s),
            record=record,
            wishes=wishes,
            plot=plot,
            profile_dirs=tuple(profiles or ()),
        )

    return work
