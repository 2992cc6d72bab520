"""The commands in groups: map, profile. They only parse; see ``main``."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, ProfileDirs, Work


class Addressing(StrEnum):
    """The conventions that a register list may count by (see ``probe.model.addressing``)."""

    ZERO_BASED = "zero_based"
    ONE_BASED = "one_based"
    REFERENCE = "reference"


map_app = typer.Typer(**PLAIN)
profile_app = typer.Typer(**PLAIN)


@map_app.command("check", short_help="Check a map: every error at once, each with its place.")
def map_check(
    file: Annotated[Path, typer.Argument(metavar="MAP", help="The device map to check.")],
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Check a device map: every error and every doubtful line at once, each with its place.

    \b
    Example:
      buswitness map check msb-1.yaml
    """

    def work() -> int:
        from probe.cli import map_commands

        return map_commands.check(file, as_json=as_json, profile_dirs=tuple(profiles or ()))

    return work


@map_app.command("import", short_help="Make a map from a device schedule (CSV, XLSX).")
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


@map_app.command("schema", short_help="Print the JSON Schema of maps.")
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


@profile_app.command("list", short_help="List the profiles that come with the program.")
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


@profile_app.command("check", short_help="Check a profile: overlaps, holes, types, addresses.")
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


@profile_app.command("import", short_help="Make a profile from a register list (CSV).")
def profile_import(
    file: Annotated[Path, typer.Argument(metavar="LIST", help="Register list, CSV or XLSX.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="File to make; without it: stdout.")
    ] = None,
    addressing: Annotated[
        Addressing | None,
        typer.Option("--addressing", help="How the list counts addresses, where it does not say so itself."),
    ] = None,
    as_json: Json = False,
) -> Work:
    """Make a device profile from a register list (CSV or XLSX).

    \b
    Example:
      buswitness profile import list.csv --addressing one_based -o meter.yaml
    """

    def work() -> int:
        from probe.cli import profile_commands

        return profile_commands.import_list(
            file, output=output, as_json=as_json, addressing=addressing.value if addressing else None
        )

    return work


@profile_app.command("schema", short_help="Print the JSON Schema of profiles.")
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
