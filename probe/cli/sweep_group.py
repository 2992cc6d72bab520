"""The words of ``sweep``; the work is in ``sweep_commands``."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, Work

sweep_app = typer.Typer(**PLAIN)


class Form(StrEnum):
    """Time services that files are made for."""

    SYSTEMD = "systemd"
    CRON = "cron"
    WINDOWS = "windows"


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


SweepName = Annotated[str, typer.Option("--sweep", metavar="NAME", help="Name of a sweep; all without it.")]


@sweep_app.command("status", short_help="One screen: how every lineup stands.")
def sweep_status(fleet: FleetFile, sweep: SweepName = "", as_json: Json = False) -> Work:
    """Show how every lineup of the fleet stands by its latest run, the worst first.

    \b
    Example:
      buswitness sweep status fleet.yaml
      buswitness sweep status fleet.yaml --sweep msb-1
    """

    def work() -> int:
        from probe.cli import sweep_view_commands

        return sweep_view_commands.status(fleet, name=sweep, as_json=as_json)

    return work


@sweep_app.command("trend", short_help="Draw one value or verdict over time.")
def sweep_trend(  # noqa: PLR0913, PLR0917 (one argument an option)
    fleet: FleetFile,
    tag: Annotated[str, typer.Argument(metavar="TAG", help="Tag of the device.")],
    point: Annotated[str, typer.Argument(metavar="POINT", help="Name of a point or a check.")],
    sweep: SweepName = "",
    days: Annotated[float, typer.Option("--days", metavar="N", help="So many days back.", min=0)] = 365.0,
    svg: Annotated[Path | None, typer.Option("--svg", metavar="PATH", help="Also as a picture.")] = None,
    as_json: Json = False,
) -> Work:
    """Draw a point of a device, its clock's offset, its reply time or a check's verdict over time.

    \b
    Example:
      buswitness sweep trend fleet.yaml 52-F1 'clock offset' --svg offset.svg
      buswitness sweep trend fleet.yaml 52-F1 'reply time'
      buswitness sweep trend fleet.yaml 52-F1 clock.skew
    """

    def work() -> int:
        from probe.cli import sweep_view_commands

        return sweep_view_commands.show_trend(
            fleet, tag, point, name=sweep, days=days, svg=svg, as_json=as_json
        )

    return work


@sweep_app.command("drift", short_help="What changed since the accepted run, and what is about to.")
def sweep_drift(fleet: FleetFile, sweep: SweepName = "", as_json: Json = False) -> Work:
    """Show what drifted: settings, firmware, reply times, losses, counters, batteries, clocks.

    Each with how sure it is: a change test that states its false alarms, dates with their interval.

    \b
    Example:
      buswitness sweep drift fleet.yaml
    """

    def work() -> int:
        from probe.cli import sweep_view_commands

        return sweep_view_commands.show_drift(fleet, name=sweep, as_json=as_json)

    return work


@sweep_app.command("baseline", short_help="Accept a run: later ones are held against it.")
def sweep_baseline(
    fleet: FleetFile,
    record: Annotated[
        Path, typer.Argument(metavar="RECORD", help="Record of the accepted run: its file or its code.")
    ],
) -> Work:
    """Accept the run of a record: later runs of its lineup are held against it.

    \b
    Example:
      buswitness sweep baseline fleet.yaml hand-over.audit.jsonl
    """

    def work() -> int:
        from probe.cli import sweep_view_commands

        return sweep_view_commands.set_baseline(fleet, record)

    return work


@sweep_app.command("rebuild", short_help="Make a damaged history again from the records.")
def sweep_rebuild(fleet: FleetFile, as_json: Json = False) -> Work:
    """Set the history aside and make it again from the fleet's records. Nothing is deleted.

    \b
    Example:
      buswitness sweep rebuild fleet.yaml
    """

    def work() -> int:
        from probe.cli import sweep_commands

        return sweep_commands.rebuild_history(fleet, as_json=as_json)

    return work


@sweep_app.command("store", short_help="How records are kept; deliver what waits.")
def sweep_store(
    fleet: FleetFile,
    check: Annotated[
        bool, typer.Option("--check", help="Open each record and prove it; takes a while.")
    ] = False,
    as_json: Json = False,
) -> Work:
    """Deliver the records that wait for the fleet's store, and tell how many are kept where.

    With --check, each record that is kept or that the history names is opened and proved: one that is gone
    or altered is named (exit code 4). Exit code 3 if some still wait or the store is away.

    \b
    Example:
      buswitness sweep store fleet.yaml
      buswitness sweep store fleet.yaml --check
    """

    def work() -> int:
        from probe.cli import sweep_record_commands

        return sweep_record_commands.store(fleet, check=check, as_json=as_json)

    return work


@sweep_app.command("record", short_help="Get a record by its code, proved.")
def sweep_record(
    fleet: FleetFile,
    code: Annotated[str, typer.Argument(metavar="CODE", help="Its code, or six of its first letters.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="Write it there.")
    ] = None,
    as_json: Json = False,
) -> Work:
    """Get a record that the fleet keeps, from its folder or its store, by its code.

    The file is written only if each of its lines follows from the one before, up to the code.

    \b
    Example:
      buswitness sweep record fleet.yaml 1f0c9ab2
    """

    def work() -> int:
        from probe.cli import sweep_record_commands

        return sweep_record_commands.get(fleet, code, output=output, as_json=as_json)

    return work


@sweep_app.command("schedule", short_help="Print files for systemd, cron or Windows.")
def sweep_schedule(
    fleet: FleetFile,
    form: Annotated[Form, typer.Option("--for", help="The time service.")] = Form.SYSTEMD,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="DIR", help="Folder to write the files to.")
    ] = None,
    as_json: Json = False,
) -> Work:
    """Print ready files for a time service that runs what is due every five minutes.

    \b
    Example:
      buswitness sweep schedule fleet.yaml --for systemd
      buswitness sweep schedule fleet.yaml --for windows -o .
    """

    def work() -> int:
        from probe.cli import sweep_commands

        return sweep_commands.schedule(fleet, form.value, output=output, as_json=as_json)

    return work


@sweep_app.command("alerts", short_help="What people were told and is not over.")
def sweep_alerts(fleet: FleetFile, as_json: Json = False) -> Work:
    """List the alerts that are not over, the most dangerous first, and messages that still wait.

    \b
    Example:
      buswitness sweep alerts fleet.yaml
    """

    def work() -> int:
        from probe.cli import sweep_alert_commands

        return sweep_alert_commands.show(fleet, as_json=as_json)

    return work


@sweep_app.command("acknowledge", short_help="Note that somebody knows; snooze an alert.")
def sweep_acknowledge(
    fleet: FleetFile,
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="Number of the alert.")],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why, or what is done.")],
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who knows.")],
    snooze: Annotated[
        str, typer.Option("--snooze", metavar="TIME", help="Tell nothing more of it for so long: 2d, 12h.")
    ] = "0",
) -> Work:
    """Note that somebody knows of an alert, and why; with --snooze, tell nothing more of it meanwhile.

    \b
    Example:
      buswitness sweep acknowledge fleet.yaml 12 --by ME --reason "gateway ordered" --snooze 2d
    """

    def work() -> int:
        from probe.cli import sweep_alert_commands

        return sweep_alert_commands.acknowledge(fleet, number, reason=reason, by=by, snooze=snooze)

    return work


@sweep_app.command("metrics", short_help="OpenMetrics: a file, or an address to be asked.")
def sweep_metrics(
    fleet: FleetFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="Write the text once and end.")
    ] = None,
    listen: Annotated[
        str, typer.Option("--listen", metavar="HOST:PORT", help="Answer there until Ctrl-C.")
    ] = "",
) -> Work:
    """Give the state of the fleet to the usual monitoring, as OpenMetrics text.

    \b
    Example:
      buswitness sweep metrics fleet.yaml -o fleet.prom
      buswitness sweep metrics fleet.yaml --listen 127.0.0.1:9464
    """

    def work() -> int:
        from probe.cli import sweep_alert_commands

        return sweep_alert_commands.metrics(fleet, output=output, listen=listen)

    return work


@sweep_app.command("agent", short_help="Stay at a site and make the runs that the centre asks for.")
def sweep_agent(
    fleet: FleetFile,
    site: Annotated[
        str, typer.Option("--site", metavar="NAME", help="The site, as agent: in the fleet file.")
    ],
) -> Work:
    """Make the runs of one site, where the gear is, until Ctrl-C.

    The centre (sweep watch) asks through the history's PostgreSQL for what falls due; the agent runs only
    what its own fleet file names for its site, and sends records and results back. While the link is down it
    keeps them. It signs in as role bw_agent_NAME (see: buswitness sweep roles).

    \b
    Example:
      buswitness sweep agent fleet.yaml --site tarn-hollow
    """

    def work() -> int:
        from probe.cli import sweep_agent_commands

        return sweep_agent_commands.agent(fleet, site)

    return work


@sweep_app.command("agents", short_help="How the agents of the sites stand.")
def sweep_agents(fleet: FleetFile, as_json: Json = False) -> Work:
    """Show every site's agent: when it was heard, its version and clock, what waits for it.

    \b
    Example:
      buswitness sweep agents fleet.yaml
    """

    def work() -> int:
        from probe.cli import sweep_agent_commands

        return sweep_agent_commands.agents(fleet, as_json=as_json)

    return work


@sweep_app.command("roles", short_help="Print the SQL of the agents' roles.")
def sweep_roles(fleet: FleetFile) -> Work:
    """Print SQL that gives each site's agent a role that can do its work and nothing else.

    \b
    Example:
      buswitness sweep roles fleet.yaml | psql 'host=db.example dbname=fleet user=owner'
    """

    def work() -> int:
        from probe.cli import sweep_agent_commands

        return sweep_agent_commands.roles(fleet)

    return work
