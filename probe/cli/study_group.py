"""The words of ``study``; the work is in ``study_commands``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import PLAIN, Json, Work

study_app = typer.Typer(**PLAIN)


@study_app.command("check", short_help="Check a study: units, bases, tags; beside its map.")
def study_check(
    file: Annotated[Path, typer.Argument(metavar="STUDY", help="The study to check.")],
    map_file: Annotated[
        Path | None, typer.Option("--map", metavar="MAP", help="The map that it should fit.")
    ] = None,
    as_json: Json = False,
) -> Work:
    """Check a study of protective settings: units, bases, double tags; with --map also what is missing.

    \b
    Example:
      buswitness study check study.yaml --map msb-1.yaml
    """

    def work() -> int:
        from probe.cli import study_commands

        return study_commands.check(file, map_file=map_file, as_json=as_json)

    return work


@study_app.command("import", short_help="Make a study from the engineers' table (CSV, XLSX).")
def study_import(
    table: Annotated[Path, typer.Argument(metavar="TABLE", help="Table of settings, CSV or XLSX.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PATH", help="File to make; without it: stdout.")
    ] = None,
    sheet: Annotated[
        str | None, typer.Option("--sheet", metavar="NAME", help="Sheet of the workbook.")
    ] = None,
    as_json: Json = False,
) -> Work:
    """Make a study file from the table of settings that engineers send.

    Shows how each column was understood and names what was not. A number without a unit, or a multiple
    without its base, is refused at its cell: 4 times the pickup and 4 times the plug are two settings.

    \b
    Example:
      buswitness study import settings.xlsx --output study.yaml
    """

    def work() -> int:
        from probe.cli import study_commands

        return study_commands.import_table(table, output=output, sheet=sheet, as_json=as_json)

    return work
