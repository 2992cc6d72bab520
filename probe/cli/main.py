"""The command line: what can be asked, and in which words; the work is in the modules beside.

Each command function only parses: it returns the work as a callable, which ``run`` calls outside the
command-line library, so that interrupts, closed pipes and errors are ours alone (``failure``). Modules
that do work are imported inside the work, so that ``--help`` stays light.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

import probe
from probe.cli import failure

Work = Callable[[], int]

HELP_CONTEXT = {"help_option_names": ["--help", "-h"], "max_content_width": 96}
# Plain help: the library's coloured one costs 170 ms and draws boxes that a narrow terminal breaks.
PLAIN = {
    "rich_markup_mode": None,
    "add_completion": False,
    "no_args_is_help": True,
    "context_settings": HELP_CONTEXT,
}

app = typer.Typer(**PLAIN, pretty_exceptions_enable=False)  # type: ignore[arg-type]
map_app = typer.Typer(**PLAIN)  # type: ignore[arg-type]
profile_app = typer.Typer(**PLAIN)  # type: ignore[arg-type]
record_app = typer.Typer(**PLAIN)  # type: ignore[arg-type]
app.add_typer(map_app, name="map", help="Check, make and describe device maps (what should be there).")
app.add_typer(profile_app, name="profile", help="List, check, make and describe device profiles.")
app.add_typer(record_app, name="record", help="Read a saved audit, and prove that it is unchanged.")

Json = Annotated[
    bool, typer.Option("--json", help="Print one JSON object on stdout; people's text goes to stderr.")
]
ProfileDirs = Annotated[
    list[Path] | None,
    typer.Option("--profiles", metavar="DIR", help="Further folder of profiles; may be given again."),
]


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
        _raise_usage(error)
        raise
    return parsed if callable(parsed) else (lambda: int(parsed or 0))


def _raise_usage(error: Exception) -> None:
    """Raise InputError if the command-line library found the arguments wrong; otherwise return."""
    family = typer.BadParameter.__mro__[2]  # ClickException; where it lives changed between minor releases
    if not isinstance(error, family):
        return
    from probe.model.errors import InputError, Problem

    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "buswitness"
    if type(error).__name__ == "NoArgsIsHelpError":
        what, remedy = "a command is missing", f"choose one that `{path} --help` lists"
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
    setting.

    Switchgear can kill. Reading over the network needs no open door; keep outside the arc flash boundary
    and follow the site's lockout procedures and local codes for anything that does.

    \b
    Example: see it work on a simulated lineup, nothing else needed
      buswitness demo
    """


@app.command()
def demo(
    healthy: Annotated[bool, typer.Option("--healthy", help="A lineup with nothing wrong.")] = False,
    scenario: Annotated[
        Path | None, typer.Option("--scenario", metavar="FILE", help="Own scenario file instead.")
    ] = None,
    serve: Annotated[
        bool, typer.Option("--serve", help="Only keep the simulated lineup running, for trials of your own.")
    ] = False,
    record: Annotated[
        Path | None, typer.Option("--record", metavar="PATH", help="Where to save the record.")
    ] = None,
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
    """

    def work() -> int:
        from probe.cli import demo_command, duration

        return demo_command.demo(
            healthy=healthy,
            scenario=scenario,
            serve=serve,
            record=record,
            dwell_s=duration.seconds(dwell, "--dwell"),
            as_json=as_json,
        )

    return work


@app.command()
def audit(  # noqa: PLR0913, PLR0917 (one an option)
    map_file: Annotated[Path, typer.Argument(metavar="MAP", help="The device map of the lineup.")],
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only",
            metavar="WHAT",
            help="Test only these: a tag (52-F3, 52-F*), kind:meter, section:2, or a bare kind or section "
            "name; may be given again.",
        ),
    ] = None,
    skip: Annotated[
        list[str] | None,
        typer.Option("--skip", metavar="WHAT", help="Leave these out; same forms as --only."),
    ] = None,
    quick: Annotated[
        bool, typer.Option("--quick", help="Identity and one poll; no proof that values move, no clocks.")
    ] = False,
    dwell: Annotated[
        str, typer.Option("--dwell", metavar="TIME", help="Keep polling for so long: 90s, 10m, 1h30m.")
    ] = "0s",
    record: Annotated[
        Path | None,
        typer.Option(
            "--record",
            metavar="PATH",
            help="Where to save the record; never overwrites. Without it: a new file in this folder.",
        ),
    ] = None,
    operator: Annotated[
        str, typer.Option("--operator", metavar="NAME", help="Who runs the audit, for the record.")
    ] = "",
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
        )

    return work


@map_app.command("check")
def map_check(
    file: Annotated[Path, typer.Argument(metavar="MAP", help="The device map to check.")],
    as_json: Json = False,
) -> Work:
    """Check a device map: every error and every doubtful line at once, each with its place.

    \b
    Example:
      buswitness map check msb-1.yaml
    """

    def work() -> int:
        from probe.cli import map_commands

        return map_commands.check(file, as_json=as_json)

    return work


@map_app.command("import")
def map_import(
    schedule: Annotated[Path, typer.Argument(metavar="SCHEDULE", help="Device schedule, CSV or XLSX.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="File to make; without it: stdout.")
    ] = None,
    sheet: Annotated[
        str | None,
        typer.Option("--sheet", metavar="NAME", help="Sheet of the workbook; the first if left out."),
    ] = None,
    as_json: Json = False,
) -> Work:
    """Make a device map from a device schedule as engineers keep it (CSV or XLSX).

    \b
    Example:
      buswitness map import schedule.xlsx --output msb-1.yaml
    """

    def work() -> int:
        from probe.cli import map_commands

        return map_commands.import_schedule(schedule, output=output, sheet=sheet, as_json=as_json)

    return work


@map_app.command("schema")
def map_schema(as_json: Json = False) -> Work:
    """Print the JSON Schema of device maps, for editors that check as one types.

    \b
    Example:
      buswitness map schema > buswitness-map.schema.json
    """

    def work() -> int:
        from probe.cli import map_commands

        return map_commands.schema()

    return work


@profile_app.command("list")
def profile_list(as_json: Json = False) -> Work:
    """List the device profiles that come with the program.

    \b
    Example:
      buswitness profile list
    """

    def work() -> int:
        from probe.cli import profile_commands

        return profile_commands.list_profiles(as_json=as_json)

    return work


@profile_app.command("check")
def profile_check(
    file: Annotated[Path, typer.Argument(metavar="PROFILE", help="The profile to check.")],
    as_json: Json = False,
) -> Work:
    """Check a device profile: overlaps, holes, types that do not fit, points that cannot be read.

    \b
    Example:
      buswitness profile check meter.yaml
    """

    def work() -> int:
        from probe.cli import profile_commands

        return profile_commands.check(file, as_json=as_json)

    return work


@profile_app.command("import")
def profile_import(
    file: Annotated[Path, typer.Argument(metavar="LIST", help="Register list, CSV.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="File to make; without it: stdout.")
    ] = None,
    as_json: Json = False,
) -> Work:
    """Make a device profile from a register list in CSV.

    \b
    Example:
      buswitness profile import registers.csv --output meter.yaml
    """

    def work() -> int:
        from probe.cli import profile_commands

        return profile_commands.import_list(file, output=output, as_json=as_json)

    return work


@profile_app.command("schema")
def profile_schema(as_json: Json = False) -> Work:
    """Print the JSON Schema of device profiles, for editors that check as one types.

    \b
    Example:
      buswitness profile schema > buswitness-profile.schema.json
    """

    def work() -> int:
        from probe.cli import profile_commands

        return profile_commands.schema()

    return work


@record_app.command("show")
def record_show(
    file: Annotated[Path, typer.Argument(metavar="RECORD", help="A record, *.audit.jsonl.")],
    tag: Annotated[
        str | None, typer.Option("--tag", metavar="TAG", help="Only what concerns this device.")
    ] = None,
    finding: Annotated[
        str | None, typer.Option("--finding", metavar="ID", help="One finding with its raw bytes.")
    ] = None,
    as_json: Json = False,
) -> Work:
    """Show what a record holds: verdicts, findings, and the bytes that they rest on.

    \b
    Example:
      buswitness record show MSB-1-20260302T101500Z.audit.jsonl
    """

    def work() -> int:
        from probe.cli import record_commands

        return record_commands.show(file, as_json=as_json, tag=tag, finding=finding)

    return work


@record_app.command("verify")
def record_verify(
    file: Annotated[Path, typer.Argument(metavar="RECORD", help="A record, *.audit.jsonl.")],
    as_json: Json = False,
) -> Work:
    """Prove that a record is whole and unchanged since it was sealed; exit 4 if it is not.

    \b
    Example:
      buswitness record verify MSB-1-20260302T101500Z.audit.jsonl
    """

    def work() -> int:
        from probe.cli import record_commands

        return record_commands.verify(file, as_json=as_json)

    return work
