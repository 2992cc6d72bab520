"""The words of ``sweep``; the work is in ``sweep_commands``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, Work

sweep_app = typer.Typer(**PLAIN)

FleetFile = Annotated[Path, typer.Argument(metavar="FLEET", help="The fleet file.")]
Names = Annotated[list[str] | None, typer.Argument(metavar="SWEEP", help="Names of sweeps; all without one.")]


@sweep_app.command("run", short_help="Run sweeps now, or those that are due.")
def sweep_run(
    fleet: FleetFile,
    names: Names = None,
    due: Annotated[
        bool,
        typer.Option("--due", help="Only what the time tables ask for by now; for a timer of the system."),
    ] = False,
    as_json: Json = False,
) -> Work:
    """Run the sweeps of a fleet now, one after the other: audit, record, history.

    No lineup is worked on twice at once. A run is stopped at the end of its budget. With --due, nothing is
    done before its time, a start that was missed is made up once, and every start is booked.

    \b
    Example:
      buswitness sweep run fleet.yaml
      buswitness sweep run fleet.yaml msb-1
      buswitness sweep run fleet.yaml --due
    """

    def work() -> int:
        from probe.cli import sweep_commands

        return sweep_commands.run(fleet, names=names or (), due=due, as_json=as_json)

    return work


@sweep_app.command("watch", short_help="Stay and run sweeps by their time tables.")
def sweep_watch(fleet: FleetFile) -> Work:
    """Stay and run the sweeps of a fleet by their time tables, until Ctrl-C.

    \b
    Example:
      buswitness sweep watch fleet.yaml
    """

    def work() -> int:
        from probe.cli import sweep_commands

        return sweep_commands.watch(fleet)

    return work


@sweep_app.command("import", short_help="Take older records into the history.")
def sweep_import(
    fleet: FleetFile,
    records: Annotated[list[Path], typer.Argument(metavar="RECORD", help="Records, or folders of them.")],
    as_json: Json = False,
) -> Work:
    """Take records into the history of a fleet, whatever their age and order.

    The records are copied into the fleet's folder of records. The history is then the same as if every run
    had been made by a sweep. A record that is there already changes nothing.

    \b
    Example:
      buswitness sweep import fleet.yaml old/*.audit.jsonl
    """

    def work() -> int:
        from probe.cli import sweep_commands

        return sweep_commands.import_records(fleet, records, as_json=as_json)

    return work
