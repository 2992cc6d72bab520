"""The words of ``settings``; the work is in ``settings_command``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from probe.cli.options import Json, NewRecord, NoSign, Only, Operator, ProfileDirs, Skip, Work


def settings(  # noqa: PLR0913, PLR0917 (one an option)
    map_file: Annotated[
        Path, typer.Argument(metavar="MAP", help="The device map; or a record, to see its settings again.")
    ],
    study: Annotated[
        Path | None,
        typer.Option("--study", metavar="FILE", help="Study to compare with, in place of the map's own."),
    ] = None,
    only: Only = None,
    skip: Skip = None,
    curves: Annotated[
        Path | None,
        typer.Option("--curves", metavar="DIR", help="Draw time-current curves (SVG) into this folder."),
    ] = None,
    export_as_left: Annotated[
        Path | None,
        typer.Option(
            "--export-as-left",
            metavar="FILE",
            help="Write all settings as a backup, .yaml or .xlsx, with the record's hash.",
        ),
    ] = None,
    record: NewRecord = None,
    operator: Operator = "",
    no_sign: NoSign = False,
    profiles: ProfileDirs = None,
    as_json: Json = False,
) -> Work:
    """Compare the protective settings of a lineup, as found, with the engineers' study.

    Reads all groups of settings of every device twice, compares them in amperes and seconds, and looks along
    the feed whether breakers in series still coordinate as the study has it. It only reads. It is a
    comparison with the engineers' study, not a study: changes of protective settings are for licensed
    engineers, and a setting that differs makes the arc flash label of its circuit wrong.

    \b
    Exit codes: as of audit.

    \b
    Example:
      buswitness settings msb-1.yaml
      buswitness settings msb-1.yaml --study study.yaml --curves curves
      buswitness settings MSB-1-20260302T101500Z.audit.jsonl --export-as-left as-left.yaml
    """

    def work() -> int:
        from probe.cli import settings_command
        from probe.cli.audit_start import Wishes

        return settings_command.settings(
            map_file,
            study=study,
            only=tuple(only or ()),
            skip=tuple(skip or ()),
            record=record,
            wishes=Wishes(operator=operator, sign=not no_sign, as_json=as_json),
            outputs=settings_command.Outputs(curves=curves, as_left=export_as_left),
            profile_dirs=tuple(profiles or ()),
        )

    return work
